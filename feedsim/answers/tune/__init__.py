"""The best setup, and how much it can bear."""
