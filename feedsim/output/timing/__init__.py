"""The timing diagram."""
