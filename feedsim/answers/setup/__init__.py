"""The sheet of settings to type in."""
