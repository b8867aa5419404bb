"""What a feed axis demands of its motor."""
