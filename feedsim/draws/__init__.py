"""Every random number of a run, drawn before it starts."""
