"""The pinned line compared with the one shown, with the same random numbers."""

from __future__ import annotations

from collections.abc import Callable

from feedsim.answers.compare.study.results import Difference, difference
from feedsim.answers.compare.text import difference_cell
from feedsim.answers.compare.words import FIGURES, sentences, state_of
from feedsim.answers.line import Line
from feedsim.desk.runs import ran, run_told
from feedsim.errors import Fault, FeedsimError
from feedsim.metrics.paired import LengthDifference
from feedsim.quantities import System, listed
from feedsim.render.wording import speed
from feedsim.scenario import Scenario

_LETTERS = ("A", "now")


def same_cards(now: Line) -> list[str]:
    """Return the changes that give another line the random numbers of this one."""
    run = now.scenario.run
    return [
        f"seed={now.scenario.seed}",
        f"run.carriers={run.carriers}",
        f"run.warm_up={run.warm_up}",
    ]


def against(
    pinned: Line, now: Line, units: System, *, progress: Callable[[int], None]
) -> dict[str, object]:
    """Return both runs, their differences, and which of these are significant.

    The lines have the same random numbers; FeedsimError if they cannot be compared. ``progress`` is
    called with the number of carriers done, of both runs.
    """
    _refuse_unlike(pinned, now)
    one, two = pinned.scenario, now.scenario
    first = ran(pinned, progress=progress)
    other = ran(now, progress=lambda done: progress(one.run.warm_up + one.run.carriers + done))
    found = difference(_LETTERS[1], first.ran, other.ran)
    speeds = (one.line.speed, two.line.speed)
    notes = []
    if one.acceptance != two.acceptance or one.limits != two.limits:
        notes.append("A and now are each judged by limits of their own.")
    if speeds[0] != speeds[1]:
        a, b = (speed(mm_s, units) for mm_s in speeds)
        notes.append(f"A runs at {a}, now at {b}.")
    hourly = found.complete_per_hour
    return {
        "carriers": two.run.carriers,
        "letters": list(_LETTERS),
        "shared": _shared(one, two),
        "notes": notes,
        "a": run_told(first, units),
        "now": run_told(other, units),
        "feeders": _feeders(found, speeds, units),
        "per_hour": {
            "difference": hourly,
            "text": None if hourly is None else f"{round(hourly):+,}" if round(hourly) else "0",
        },
    }


def _shared(one: Scenario, two: Scenario) -> str:
    """Say what both runs share: carriers and inserts, or the random numbers of unlike ones."""
    unlike = [
        name
        for name, first, other in (
            ("the carriers", one.carrier, two.carrier),
            ("the carrier eye", one.carrier_eye, two.carrier_eye),
            ("the inserts", [f.insert for f in one.feeder], [f.insert for f in two.feeder]),
            ("the insert eyes", [f.eye for f in one.feeder], [f.eye for f in two.feeder]),
        )
        if first != other
    ]
    if not unlike:
        return "on the same carriers"
    return f"with the same random numbers; not the same are {listed(unlike)}"


def _refuse_unlike(pinned: Line, now: Line) -> None:
    one, two = pinned.scenario, now.scenario
    if len(one.feeder) != len(two.feeder):
        counts = f"A has {len(one.feeder)} and now there are {len(two.feeder)}"
        message = f"feeders are compared by their number: {counts}"
        raise FeedsimError(Fault("feeder", message=message))
    if one.run.carriers != two.run.carriers:
        fewest = min(one.run.carriers, two.run.carriers)
        message = f"a record of carriers ends before the run does: ask for {fewest} carriers"
        raise FeedsimError(Fault("run.carriers", message=message))


def _feeders(
    found: Difference, speeds_mm_s: tuple[float, float], units: System
) -> list[dict[str, object]]:
    mm_s = speeds_mm_s[1]
    apart = speeds_mm_s[0] != mm_s
    return [
        {
            "name": feeder.name,
            "words": [
                {"figure": name, "said": said}
                for name, said in sentences(
                    [feeder], [mm_s], letters=_LETTERS, usual_mm_s=mm_s, units=units, apart=apart
                )
            ],
            "differences": [
                {
                    "figure": figure.name,
                    "unit": "mm" if isinstance(one, LengthDifference) else "share",
                    "difference": one.size,
                    "low": one.interval and one.interval.low,
                    "high": one.interval and one.interval.high,
                    "better": {"first": "A", "other": "now", None: None}[one.better],
                    "state": state_of(one),
                    "text": difference_cell(one, _LETTERS, units).strip(),
                }
                for figure in FIGURES
                for one in [figure.of(feeder)]
            ],
        }
        for feeder in found.feeders
    ]
