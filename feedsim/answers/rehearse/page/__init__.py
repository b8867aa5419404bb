"""The page in which the line is played."""
