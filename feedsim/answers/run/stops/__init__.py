"""Stops of the line: text and table."""
