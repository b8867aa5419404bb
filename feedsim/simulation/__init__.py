"""Event processes that wait, ask the motion, and record."""
