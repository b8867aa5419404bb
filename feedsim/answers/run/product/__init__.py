"""Products of a run: text, table and picture."""
