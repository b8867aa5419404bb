"""One carrier's story, and the parts of its placement error."""
