"""Setups beside each other with common random numbers."""
