"""What a comparison works out."""
