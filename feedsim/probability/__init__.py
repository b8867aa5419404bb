"""Laws of sums of independent parts, and their shares."""
