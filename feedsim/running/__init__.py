"""What takes a run: one machine run to its results, axes of values, and where points run."""
