"""An error budget: text, table, figure."""
