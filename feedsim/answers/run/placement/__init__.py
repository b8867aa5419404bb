"""The placement figure."""
