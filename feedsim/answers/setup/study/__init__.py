"""What to type in, where it comes from, and what it achieves."""
