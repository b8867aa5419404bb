"""A trial on the line: its plan, its fit, its figure."""
