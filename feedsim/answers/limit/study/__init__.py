"""The highest accepted speed, in closed form and by search."""
