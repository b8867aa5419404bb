"""Running a line: one run to its results, axes of values, and where points run."""
