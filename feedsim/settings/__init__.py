"""The right settings and what follows from them, in closed form."""
