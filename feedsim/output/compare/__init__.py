"""A comparison of setups: words, table, figure."""
