"""What a machine's own log says of it, worked out."""
