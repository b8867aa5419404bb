"""The search for the best setup, and the verdict on it."""
