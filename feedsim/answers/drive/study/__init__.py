"""What a feed axis asks of its motor."""
