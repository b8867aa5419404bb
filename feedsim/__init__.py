"""Rehearse a line that lays one card on each passing card."""

__version__ = "0.1.0"
