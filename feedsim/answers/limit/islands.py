"""Acceptance that comes and goes with speed, in words: islands, and stretches not looked at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from feedsim.answers.limit.study.closed import RefusedSpeeds
from feedsim.answers.limit.study.islands import islands
from feedsim.criteria import Figure
from feedsim.metrics.percent import percent
from feedsim.metrics.results import Results
from feedsim.quantities import System
from feedsim.render.wording import speed

_FEW = 3
FAILING: Mapping[Figure, str] = {
    "within_tolerance": "out of tolerance",
    "missed": "missed",
    "jam_risk": "jam risk",
}
"""What a refused figure has too much of, in words."""


def island_words(
    speeds_mm_s: Sequence[float], accepted: Sequence[bool], *, units: System = "metric"
) -> str:
    """Name the speeds that are accepted just above one that is not; empty where there are none.

    >>> island_words([500.0, 600.0, 700.0], [True, False, True])
    'Accepted at 42 m/min, not at 36 m/min: not a speed to set.'
    """
    found = islands(speeds_mm_s, accepted)
    if not found:
        return ""
    parts = [", not at ".join(speed(mm_s, units) for mm_s in pair) for pair in found[:_FEW]]
    more = f"; and {len(found) - _FEW} more" if len(found) > _FEW else ""
    what = "not a speed" if len(found) == 1 else "not speeds"
    return f"Accepted at {'; at '.join(parts)}{more}: {what} to set."


def overlooked_words(
    refused: Sequence[RefusedSpeeds],
    speeds_mm_s: Sequence[float],
    *,
    highest: float | None,
    looked_to: float | None,
    units: System = "metric",
) -> str:
    """Name what the closed forms refuse between the simulated speeds up to the highest accepted.

    Empty where nothing is refused there, and narrow stretches were looked for up to there: to
    ``looked_to`` (mm/s); None: as far as was searched.
    """
    between = [
        row
        for row in refused
        if row.to_mm_s is not None
        and min(speeds_mm_s) < row.from_mm_s < (highest or 0.0)
        and not any(row.from_mm_s <= speed <= row.to_mm_s for speed in speeds_mm_s)
    ]
    short = highest is not None and looked_to is not None and looked_to < highest
    at = speed(looked_to or 0.0, units)
    if not between:
        return (
            f"Between the simulated speeds, the closed forms were searched for refused stretches "
            f"up to {at} only."
            if short
            else ""
        )
    further = f" Narrow ones were searched for up to {at}; more may lie above." if short else ""
    stretch, verb = (
        ("a stretch", "is") if len(between) == 1 else (f"{len(between)} stretches", "are")
    )
    return (
        f"In closed form {stretch} of speeds between the simulated ones {verb} refused, "
        f"{stretch_words(between, units=units)}.{further}"
    )


def comes_and_goes(
    results: Sequence[Results],
    refused: Sequence[RefusedSpeeds],
    *,
    highest: float | None,
    looked_to: float | None,
    units: System = "metric",
) -> str:
    """Name, of results at rising speeds, islands above the limit and stretches refused below it.

    ``refused``: by the closed forms, ``looked_to`` as in :func:`overlooked_words`. ``highest``: the
    speed (mm/s) up to which all results are accepted.
    """
    speeds = [found.line_speed_mm_s for found in results]
    said = (
        island_words(speeds, [found.accepted for found in results], units=units),
        overlooked_words(refused, speeds, highest=highest, looked_to=looked_to, units=units),
    )
    return " ".join(filter(None, said))


def stretch_words(refused: Sequence[RefusedSpeeds], *, units: System) -> str:
    """Say from where to where stretches are refused, and where it is worst."""
    most = max(refused, key=lambda row: row.share)
    speeds = (refused[0].from_mm_s, refused[-1].to_mm_s or 0.0, most.worst_mm_s)
    first, last, worst = (speed(mm_s, units) for mm_s in speeds)
    what = f"{percent(most.share)} {FAILING[most.figure]}"
    if first == last:
        return f"at {first} with {what}"
    return f"from {first} to {last}, the worst at {worst} with {what}"
