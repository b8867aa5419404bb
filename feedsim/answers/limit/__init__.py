"""How fast the line can go, and what ends it."""
