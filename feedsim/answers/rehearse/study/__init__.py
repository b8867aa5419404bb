"""What the page that plays the line needs, as plain data."""
