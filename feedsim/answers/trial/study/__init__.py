"""A trial on the line: planned, read in, fitted."""
