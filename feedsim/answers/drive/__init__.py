"""What the feeder drive must bear."""
