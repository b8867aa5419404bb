"""The error budget of a placement."""
