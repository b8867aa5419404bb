"""A sweep: its table, its figures and maps, its report."""
