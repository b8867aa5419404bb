"""``python -m feedsim``."""

from feedsim.cli.main import main

main()
