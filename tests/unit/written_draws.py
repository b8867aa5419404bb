"""Draws written by hand: what chance decides, card by card."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, count

from feedsim.draws.line_draws import CarrierDraw, InsertDraw, Phases
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion
from feedsim.simulation.clock import Order, Part
from feedsim.simulation.line import LineRun

AT_ZERO = Phases(encoder=0.0, ticks_s=0.0)


def carrier(leading_mm: float, *, delay_s: float = 0.0, slip_mm: float = 0.0) -> CarrierDraw:
    """Return a carrier that the eye sees where it is."""
    return CarrierDraw(leading_mm, leading_mm, delay_s, slip_mm, missed=False)


def insert(
    nose_mm: float,
    *,
    length_mm: float,
    delay_s: float = 0.0,
    missed: bool = False,
    double_mm: float = math.nan,
    drawn: bool = True,
) -> InsertDraw:
    """Return an insert that the eye sees where it is; ``length_mm`` of the whole object."""
    return InsertDraw(
        nose_mm, nose_mm, length_mm, delay_s, 0.0, drawn, missed, double_mm, called_double=False
    )


@dataclass
class WrittenDraws:
    """Carriers and inserts as written; after the last insert more of the same pitch come."""

    carrier_cards: Sequence[CarrierDraw]
    insert_cards: Sequence[Sequence[InsertDraw]]
    phase: Phases = AT_ZERO
    pitches_mm: Sequence[float] = (160.0, 160.0)

    def phases(self) -> Phases:
        return self.phase

    def carriers(self) -> Iterator[CarrierDraw]:
        return iter(self.carrier_cards)

    def inserts(self, feeder: int) -> Iterator[InsertDraw]:
        cards, pitch = self.insert_cards[feeder], self.pitches_mm[feeder]
        last = cards[-1]
        more = (
            last._replace(
                nose_mm=last.nose_mm + i * pitch,
                seen_edge_mm=last.nose_mm + i * pitch,
                drawn=True,
                missed=False,
                double_mm=math.nan,
            )
            for i in count(1)
        )
        return chain(cards, more)


def evenly(machine: Machine, edges_mm: Sequence[float], *, phase: Phases = AT_ZERO) -> WrittenDraws:
    """Return draws without any noise: these leading edges, inserts at their nominal pitch."""
    eye = machine.carrier_eye
    pitches = [f.inserts.length_mm + f.inserts.gap_mm for f in machine.feeders]
    first = [
        [insert(0.0, length_mm=f.inserts.length_mm, delay_s=f.eye.response_s)]
        for f in machine.feeders
    ]
    carriers = [carrier(edge, delay_s=eye.response_s) for edge in edges_mm]
    return WrittenDraws(carriers, first, phase, pitches)


class BeltChange(Part):
    """Puts the belt on another motion at an instant, before all else of that instant."""

    def __init__(self, run: LineRun, t: float, points: Sequence[tuple[float, float]]) -> None:
        super().__init__(run.clock)
        self._line, self._t, self._points = run, t, points

    def run(self) -> Iterator[object]:
        yield self.clock.at(self._t, Order.BELT.of(0))
        conveyor = self._line.conveyor
        belt: BeltMotion = conveyor.master.belt
        conveyor.change(belt.then(self._t, self._points))
