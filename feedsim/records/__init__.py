"""What leaves the engine: rows in columns, and traces."""
