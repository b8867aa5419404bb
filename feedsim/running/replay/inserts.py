"""The inserts of a traced run: the cards that they were drawn as, and where their noses are."""

from __future__ import annotations

from bisect import bisect_right
from itertools import accumulate

from feedsim.draws.cards import Draws, InsertCard
from feedsim.machine import Machine
from feedsim.records.trace import Trace

__all__ = ["InsertRow"]


class InsertRow:
    """The inserts of one feeder by number, drawn again as they are asked for.

    Parameters
    ----------
    machine : Machine
        With its settings solved.
    draws : Draws
        Those that the run was made with.
    trace : Trace
        Of the run.
    feeder : int
        From 0.
    """

    def __init__(self, machine: Machine, draws: Draws, *, trace: Trace, feeder: int) -> None:
        self._drawn = draws.inserts(feeder)
        self._cards: list[InsertCard] = []
        moved = trace.moved[feeder] if trace.moved else ()
        self._from = [number for number, _ in moved]
        further = (mm for _, mm in moved)
        self._firsts = list(accumulate(further, initial=machine.first_nose_mm(feeder)))

    def card(self, number: int) -> InsertCard:
        """Return what chance decided of an insert."""
        while len(self._cards) <= number:
            self._cards.append(InsertCard(*next(self._drawn)))
        return self._cards[number]

    def nose_mm(self, number: int) -> float:
        """Return F, the feed travel (mm) at which a nose is at the insert eye, before its slip.

        The nose of insert 0 starts where the machine says, and each that comes after the feed
        ran without any lies further back by that (model, sections 7 and 14).
        """
        return self._firsts[bisect_right(self._from, number)] + self.card(number).nose_mm

    def seen_edge_mm(self, number: int) -> float:
        """Return the feed travel (mm) at which the edge that the eye sees passes it."""
        card = self.card(number)
        return self.nose_mm(number) + card.seen_edge_mm - card.nose_mm
