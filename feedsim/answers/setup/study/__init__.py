"""What to type in, where it comes from, and what it is good for."""
