"""Questions that take a run, or a look at a setup, to answer."""
