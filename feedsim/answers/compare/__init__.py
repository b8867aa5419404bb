"""Setups compared on common random numbers."""
