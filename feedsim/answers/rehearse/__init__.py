"""The page on which a stretch of a run plays."""
