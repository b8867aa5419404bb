"""A look at a line before it runs."""
