"""A starter scenario."""

from __future__ import annotations

from importlib import resources


def starter_text() -> str:
    """Return a commented scenario: an invented membership card on an A5 letter."""
    return resources.files("feedsim.scenario").joinpath("starter.toml").read_text("utf-8")
