"""The desk: a page to change any value of a scenario, served on this machine only.

A question goes through ``gate`` (who may ask), ``questions`` (what may be asked), ``lines`` (the
line that it is about) and ``lanes`` (when it is worked on) to one of the modules that answer it.
"""
