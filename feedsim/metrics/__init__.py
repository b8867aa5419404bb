"""Records in, figures out: pure functions of a run's records.

Start at :func:`feedsim.metrics.results.summarise`. Nothing here knows the engine, and
every result depends on its arguments alone.
"""
