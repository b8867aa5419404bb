"""Where the placement error comes from, and what each source is worth."""
