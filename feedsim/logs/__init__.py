"""A machine's own log: its CSV read, typed and checked; and such a log made of a simulated run."""

from feedsim.logs.log import Level, Log, LoggedFeeder, Remark, Values
from feedsim.logs.reading import read_log

__all__ = ["Level", "Log", "LoggedFeeder", "Remark", "Values", "read_log"]
