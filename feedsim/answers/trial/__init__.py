"""A trial of the line: its plan and what its measurements say."""
