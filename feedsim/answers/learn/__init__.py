"""What a machine's own log says about it."""
