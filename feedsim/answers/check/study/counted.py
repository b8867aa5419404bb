"""Warnings of what the limit of a line counts: every mechanism that is too much at line speed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.criteria import Figure
from feedsim.running.run import criteria_of
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms import MECHANISMS, Mechanism

__all__ = ["counted", "shares_of"]

_NOTHING = 1e-9
_OF: dict[Figure, str] = {
    "missed": "carriers are missed",
    "jam_risk": "feed cycles are at risk of a jam",
    "within_tolerance": "placed inserts lie out of tolerance",
}
_HELPS = {
    "feed cycle": "Slow down, or shorten the feed cycle.",
    "late service": "A feeder that is waited for places late: let carriers pass it "
    '(not_ready = "skip"), mend misfeeds, slow down or shorten the feed cycle.',
    "mark memory": "Enlarge the memory, or move the carrier eye downstream.",
    "eyes and singulator": "Mend eyes and singulator, or leave time for a second insert.",
    "doubles and strays": "Mend the singulator and the insert eye.",
}


class _Share(NamedTuple):
    mechanism: Mechanism
    share: float


def shares_of(s: CheckedFeeder) -> list[_Share]:
    """Return what each mechanism alone costs at the highest speed."""
    there, allowed = FeederAtSpeed(s.at_its_speed, s.feeder), criteria_of(s.scenario)
    return [_Share(m, m.share(there, allowed)) for m in MECHANISMS]


def counted(s: CheckedFeeder, explained: Callable[[str], bool]) -> Iterator[str]:
    """Warn of every mechanism that is too much at this speed, alone or with the others.

    ``explained``: name of a mechanism → whether another warning says already what it does here.
    """
    found, allowed = shares_of(s), criteria_of(s.scenario)
    for figure, what in _OF.items():
        most = max(allowed.largest(figure), _NOTHING)
        those = [row for row in found if row.mechanism.figure == figure]
        over = [row for row in those if row.share > most]
        for name, share in ((row.mechanism.name, row.share) for row in over):
            if not explained(name):
                helps = f" {_HELPS[name]}" if name in _HELPS else ""
                yield (
                    f"{name.capitalize()}: by that alone {s.percent(share)} of the {what} "
                    f"{s.at_speed}; {s.percent(allowed.largest(figure))} may be.{helps}"
                )
        together = _together(those)
        if together > most and not over:
            parts = sorted((row for row in those if row.share > 0.0), key=lambda row: -row.share)
            named = ", ".join(f"{r.mechanism.name} {s.percent(r.share)}" for r in parts[:3])
            yield (
                f"Taken together {s.percent(together)} of the {what} {s.at_speed}; "
                f"{s.percent(allowed.largest(figure))} may be. The largest parts: {named}."
            )


def _together(rows: Sequence[_Share]) -> float:
    left = 1.0
    for row in rows:
        left *= 1.0 - row.share
    return 1.0 - left
