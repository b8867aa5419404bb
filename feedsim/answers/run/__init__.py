"""One run, its figures and its carriers."""
