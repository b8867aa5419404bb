"""Warnings about times so unusual for a controller, eye or drive that a unit may be wrong."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.quantities import display
from feedsim.scenario import Scenario

_OF_EYE = {"response": 0.02, "off_response": 0.02, "filter_time": 0.1}
_OF_CONTROLLER = {"scan": 0.1, "motion_cycle": 0.02}
_COMMAND_DELAY = 0.05
"""Times (s) that hardly any has more of: common practice, no source."""


def unusual(scenario: Scenario) -> Iterator[str]:
    """Name each time that is so much longer than usual that its unit may be wrong."""
    control, feeders = scenario.controller, list(enumerate(scenario.feeder))
    eyes = {"carrier_eye": scenario.carrier_eye} | {f"feeder.{n}.eye": f.eye for n, f in feeders}
    times = [(f"controller.{key}", getattr(control, key), m) for key, m in _OF_CONTROLLER.items()]
    for place, eye in eyes.items():
        times += [(f"{place}.{key}", getattr(eye, key), most) for key, most in _OF_EYE.items()]
    times += [
        (f"feeder.{n}.servo.command_delay", f.servo.command_delay, _COMMAND_DELAY)
        for n, f in feeders
    ]
    for key, time_s, most in times:
        if time_s > most:
            yield (
                f"{key} is {display(time_s, 'time')}: more than {display(most, 'time')} is rare. "
                f"Is the unit right?"
            )
