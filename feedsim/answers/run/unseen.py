"""What a run cannot have shown: losses of which it saw none, and what a stop would cost."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.machine import Machine
from feedsim.metrics.intervals import upper95
from feedsim.metrics.percent import percent
from feedsim.metrics.results import Results
from feedsim.metrics.stops import LineStops
from feedsim.quantities import whole
from feedsim.render.wording import counted, time


def unseen(results: Results, machine: Machine) -> Iterator[str]:
    """Say what an accepted run cannot rule out because it saw none of it, if there is any such.

    One-sided at 95 %, 1 − 0.05^(1/n), near 3/n (:func:`feedsim.metrics.intervals.upper95`), of
    what comes singly. Of a stop also what it takes and at most would take of the time: with a share
    u of carriers that bring one, each a pitch apart at the speed v, u·T/(pitch/v + u·T).
    """
    if not results.accepted:
        return
    known = {"missed": "carrier missed", "jam_risk": "jam hazard"}
    none = [
        words
        for figure, words in known.items()
        if all(getattr(feeder, figure).count == 0 for feeder in results.feeders)
    ]
    most = upper95(results.carriers)
    if none and most is not None:
        yield (
            f"No {' and no '.join(none)} in {counted(results.carriers, 'carrier')}: up to "
            f"{percent(most, digits=2)} cannot be ruled out (95 %), more if they come in runs."
        )
    stops = results.stops
    if not isinstance(stops, LineStops) or stops.count or most is None:
        return
    takes, each = _stop_s(machine), machine.carriers.pitch_mm / machine.line.speed_mm_s
    share = percent(most * takes / (each + most * takes), digits=2)
    yield (
        f"No stop either: one in {whole(round(1.0 / most))} carriers cannot be ruled out. Each "
        f"takes about {time(takes)}, the time of {counted(round(takes / each), 'carrier')}: at "
        f"that rate stops would take {share} of the time."
    )


def _stop_s(machine: Machine) -> float:
    """Return what a stop takes on average (s): to stand, to be cleared, to run again."""
    line, supervision = machine.line, machine.supervision
    if supervision is None:
        return 0.0
    stop = supervision.rules
    standing = line.speed_mm_s / stop.stop_deceleration_mm_s2 + stop.clearing.mean_s
    return standing + line.speed_mm_s / line.acceleration_mm_s2
