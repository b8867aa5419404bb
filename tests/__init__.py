"""Tests, sorted by what they compare with: see DEVELOPERS.md."""
