"""Setups beside each other on the same cards."""
