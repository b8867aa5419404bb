"""The set-up sheet, as text and as a page."""
