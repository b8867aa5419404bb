"""The computations behind ``learn``."""
