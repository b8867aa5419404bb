"""The desk: a page on which every value of a scenario can be turned, served on this machine alone.

A question goes through ``gate`` (who may ask), ``questions`` (what may be asked), ``lines`` (the
line that it is about) and ``lanes`` (when it is worked on) to one of the modules that answer it.
"""
