"""Where one carrier's error came from."""
