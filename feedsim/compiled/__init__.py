"""The same run worked out feeder by feeder, compiled: the event engine's records, byte by byte."""
