"""The compiled engine: runs feeder by feeder, with the event engine's records byte by byte."""
