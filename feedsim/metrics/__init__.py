"""Records in, figures out: pure functions of what a run left behind.

Start at :func:`feedsim.metrics.results.summarise`. Nothing here knows the engine, and
nothing here depends on anything but its arguments.
"""
