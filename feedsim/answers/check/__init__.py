"""What stands out in a scenario before it is run."""
