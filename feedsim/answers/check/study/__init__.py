"""A look at a setup before it runs."""
