"""Warnings of each acceptance figure that the closed forms refuse at line speed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.criteria import Figure
from feedsim.metrics.percent import percent
from feedsim.running.run import criteria_of
from feedsim.settings.mechanisms import MECHANISMS, Mechanism
from feedsim.settings.shares_by_speed import accepted_to, together

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
_MOST_PARTS, _PART = 3, 0.02
_TO_MEND = 0.5
"""Of what is allowed: a smaller part, beside a larger one, is no use to mend."""


class _Share(NamedTuple):
    mechanism: Mechanism
    share: float


class PredictedFigure(NamedTuple):
    """An acceptance figure in closed form at the highest speed.

    ``share``: of carriers missed, cycles at risk or inserts out of tolerance, all mechanisms
    together; ``parts``: the share of each, the largest first.
    """

    figure: Figure
    share: float
    most: float
    parts: list[_Share]

    @property
    def refused(self) -> bool:
        """Whether it is more than allowed."""
        return self.share > accepted_to(self.most)


def shares_of(s: CheckedFeeder) -> list[_Share]:
    """Return what each mechanism alone costs at the highest speed."""
    allowed = criteria_of(s.scenario)
    return [_Share(m, m.share(s.steadily, allowed)) for m in MECHANISMS]


def counted(s: CheckedFeeder) -> list[PredictedFigure]:
    """Return what the mechanisms, alone and together, add to each acceptance figure."""
    rows, allowed, found = shares_of(s), criteria_of(s.scenario), []
    for figure in _OF:
        parts = sorted((r for r in rows if r.mechanism.figure == figure), key=lambda r: -r.share)
        share = together(row.share for row in parts)
        found.append(PredictedFigure(figure, share, allowed.largest(figure), parts))
    return found


def refused(s: CheckedFeeder) -> list[PredictedFigure]:
    """Return the acceptance figures that are refused."""
    return [each for each in counted(s) if each.refused]


def refused_words(s: CheckedFeeder, figures: Sequence[PredictedFigure]) -> Iterator[str]:
    """Warn of each refused figure, and name the mechanisms."""
    for figure, share, most, parts in figures:
        shown = [row for row in parts[:_MOST_PARTS] if row.share > _PART * share]
        named = ", ".join(
            f"{row.mechanism.name} {percent(row.share, unlike=most)}" for row in shown
        )
        to_mend = [row for row in shown if row is parts[0] or row.share > _TO_MEND * most]
        helps = "".join(
            f" {_HELPS[row.mechanism.name]}" for row in to_mend if row.mechanism.name in _HELPS
        )
        yield (
            f"{percent(share, unlike=most)} of the {_OF[figure]} {s.at_speed} in closed form; "
            f"{percent(most)} is allowed: {named}.{helps}"
        )
