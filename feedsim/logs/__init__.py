"""A machine's own log: its CSV read, typed and checked; and such a log made of a simulated run."""

from feedsim.logs.log import Log, LoggedFeeder, OnOffSignal, Remark, SampledSignal
from feedsim.logs.reading import read_log

__all__ = ["Log", "LoggedFeeder", "OnOffSignal", "Remark", "SampledSignal", "read_log"]
