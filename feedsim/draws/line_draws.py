"""Every random number of a run, drawn before the engine needs it.

The engine asks for carriers and inserts one after another, each a tuple of random numbers. Draws
are made as arrays, in growing blocks, whose size does not influence the values. A test may hand
the engine its own draws: anything with the methods of :class:`Draws`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple, Protocol

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.draws.stops import clearing_times, jam_chances
from feedsim.draws.streams import stream
from feedsim.machine import Carriers, Clearing, Eye, Feeder, Hazard, Machine

InsertColumns = tuple[Floats, Floats, Floats, Floats, Floats, Bools, Bools, Floats, Bools]
_FIRST_BLOCK = 256
MOST_AT_ONCE = 8192
"""Most carriers or inserts in a block."""


class Phases(NamedTuple):
    """Draws of a whole run: the encoder's phase (0…1) and the ticks' phase (s)."""

    encoder: float
    ticks_s: float


class CarrierDraw(NamedTuple):
    """Draws for one carrier.

    ``leading_edge_mm``: belt travel at which its leading edge passes the carrier eye.
    ``seen_edge_mm``: belt travel at which the edge that the eye sees passes it.
    ``eye_delay_s``: passing to switching of the output. ``slip_mm``: falling back
    between eye and placement point. ``missed``: the eye does not see this carrier.
    """

    leading_edge_mm: float
    seen_edge_mm: float
    eye_delay_s: float
    slip_mm: float
    missed: bool


class InsertDraw(NamedTuple):
    """Draws for one insert.

    ``nose_mm``: feed travel between the nose of insert 0 passing a point and this nose
    passing it. ``seen_edge_mm``: the same for the edge that the insert eye sees.
    ``length_mm``: nose to tail of the whole object (a double is longer).
    ``double_mm``: how far a second insert is shifted back (NaN: a single).
    ``called_double``: what the double check says. ``drawn``: false where the singulator
    drew nothing on this pitch.
    """

    nose_mm: float
    seen_edge_mm: float
    length_mm: float
    eye_delay_s: float
    slip_mm: float
    drawn: bool
    missed: bool
    double_mm: float
    called_double: bool


class Draws(Protocol):
    """All draws that the engine needs."""

    def phases(self) -> Phases:
        """Return what is drawn once a run."""

    def carriers(self) -> Iterator[tuple[float, float, float, float, bool]]:
        """Yield the carriers in order, as :class:`CarrierDraw` fields.

        Without end, unless a record ends the run.
        """

    def inserts(
        self, feeder: int
    ) -> Iterator[tuple[float, float, float, float, float, bool, bool, float, bool]]:
        """Yield a feeder's inserts in order, without end, as :class:`InsertDraw` fields."""

    def jams(self, feeder: int, hazard: Hazard, *, probability: float) -> Callable[[int], bool]:
        """Return a function of the insert number: whether a hazard becomes a jam."""

    def clearing_times(self, clearing: Clearing) -> Iterator[float]:
        """Yield how long clearing takes (s), stop after stop, without end."""


class RunDraws:
    """The draws of a machine from a seed.

    Parameters
    ----------
    machine : Machine
        The checked model.
    seed : int
        0 or above.
    replication : int, optional
        Repetition number.
    """

    def __init__(self, machine: Machine, seed: int, *, replication: int = 0) -> None:
        self._machine = machine
        self._seed = seed
        self._replication = replication

    def _stream(self, name: str) -> np.random.Generator:
        return stream(self._seed, name, replication=self._replication)

    def phases(self) -> Phases:
        """Return the encoder's phase and the phase of the ticks."""
        controller = self._machine.controller
        longest = max(controller.scan_s, controller.motion_cycle_s)
        return Phases(
            encoder=float(self._stream("encoder.phase").random()),
            ticks_s=float(self._stream("ticks.phase").random()) * longest,
        )

    def carriers(self) -> Iterator[tuple[float, float, float, float, bool]]:
        """Yield the carriers: pitch sources go by pitch, all others by carrier number."""
        for block in self.carrier_blocks():
            yield from zip(*(column.tolist() for column in block), strict=True)

    def carrier_blocks(
        self, *, expected: int = 0
    ) -> Iterator[tuple[Floats, Floats, Floats, Floats, Bools]]:
        """Yield the same carriers in blocks, the fields of :class:`CarrierDraw` as columns.

        ``expected``: how many will be needed; 0: unknown.
        """
        c = self._machine.carriers
        eye = self._eye(self._machine.carrier_eye, "carrier_eye")
        slip = self._normal("carrier.slip", c.slip_mm, c.slip_sd_mm)
        for leading_edge in self._leading_edges(c, _blocks(expected)):
            n = len(leading_edge)
            edge, delay, missed = eye(n)
            yield leading_edge, leading_edge + edge, delay, slip(n), missed

    def _leading_edges(self, c: Carriers, sizes: Iterator[int]) -> Iterator[Floats]:
        missing = self._chance("carrier.missing", c.missing)
        stream, last = self._stream("carrier.pitch"), 0.0
        for pitch in c.arrival.pitches(stream, sizes, replication=self._replication):
            pitch[0] += last
            edges = np.cumsum(pitch)
            last = float(edges[-1])
            yield edges[~missing(len(edges))]

    def inserts(
        self, feeder: int
    ) -> Iterator[tuple[float, float, float, float, float, bool, bool, float, bool]]:
        """Yield the inserts of feeder number ``feeder`` (from 0), by insert number."""
        for block in self.insert_blocks(feeder):
            yield from zip(*(column.tolist() for column in block), strict=True)

    def insert_blocks(self, feeder: int, *, expected: int = 0) -> Iterator[InsertColumns]:
        """Yield the same inserts in blocks, the fields of :class:`InsertDraw` as columns.

        ``expected``: as in :meth:`carrier_blocks`.
        """
        f = self._machine.feeders[feeder]
        prefix = f"feeder.{feeder}"
        eye = self._eye(f.eye, f"{prefix}.eye")
        slip = self._normal(f"{prefix}.insert.slip", f.inserts.slip_mm, f.inserts.slip_sd_mm)
        for nose, length, drawn, double, called in self._objects(f, prefix, _blocks(expected)):
            n = len(nose)
            edge, delay, missed = eye(n)
            back = np.maximum(slip(n), 0.0)
            yield nose, nose + edge, length, delay, back, drawn, missed, double, called

    def jams(self, feeder: int, hazard: Hazard, *, probability: float) -> Callable[[int], bool]:
        """Return a function of the insert number: whether a feeder's hazard becomes a jam."""
        return jam_chances(self._stream(f"feeder.{feeder}.jam.{hazard.value}"), probability)

    def clearing_times(self, clearing: Clearing) -> Iterator[float]:
        """Yield how long clearing takes (s), stop after stop, without end."""
        return clearing_times(self._stream("guard.clearing"), clearing)

    def _objects(
        self, f: Feeder, prefix: str, sizes: Iterator[int]
    ) -> Iterator[tuple[Floats, Floats, Bools, Floats, Bools]]:
        ins, check = f.inserts, f.double_check
        gaps = self._normal(f"{prefix}.insert.gap", ins.gap_mm, ins.gap_sd_mm)
        misfeed = self._chance(f"{prefix}.insert.misfeed", ins.misfeed)
        doubled = self._chance(f"{prefix}.insert.double", ins.double)
        shifts = self._stream(f"{prefix}.insert.double_shift")
        checks = self._stream(f"{prefix}.double_check")
        last_nose, last_length = 0.0, 0.0
        first = True
        for n in sizes:
            gap = np.maximum(gaps(n), ins.min_gap_mm)
            drawn = ~misfeed(n)
            double = doubled(n) & drawn
            shift = np.where(double, shifts.random(n) * ins.length_mm, np.nan)
            length = ins.length_mm + np.where(double, shift, 0.0)
            called = checks.random(n) < np.where(double, check.finds, check.false_alarm)
            step = gap + np.concatenate(([last_length], length[:-1]))
            if first:
                step[0] = 0.0
                first = False
            step[0] += last_nose
            nose = np.cumsum(step)
            last_nose, last_length = float(nose[-1]), float(length[-1])
            yield nose, length, drawn, shift, called & drawn

    def _eye(self, eye: Eye, prefix: str) -> Callable[[int], tuple[Floats, Floats, Bools]]:
        edges = self._normal(f"{prefix}.edge", 0.0, eye.edge_sd_mm)
        jitters = self._stream(f"{prefix}.jitter")
        missed = self._chance(f"{prefix}.missed", eye.missed)

        def block(n: int) -> tuple[Floats, Floats, Bools]:
            if eye.response_jitter_s > 0.0:
                u = 2.0 * jitters.random(n) - 1.0
                delay = eye.response_s + eye.response_jitter_s * u
            else:
                delay = np.full(n, eye.response_s)
            return edges(n), delay, missed(n)

        return block

    def _normal(self, name: str, mean: float, sd: float) -> Callable[[int], Floats]:
        if sd == 0.0:
            return lambda n: np.full(n, mean)
        source = self._stream(name)
        return lambda n: mean + sd * source.standard_normal(n)

    def _chance(self, name: str, share: float) -> Callable[[int], Bools]:
        if share == 0.0:
            return lambda n: np.zeros(n, dtype=np.bool_)
        source = self._stream(name)
        return lambda n: source.random(n) < share


def _blocks(expected: int) -> Iterator[int]:
    size = min(max(expected, _FIRST_BLOCK), MOST_AT_ONCE)
    while True:
        yield size
        size = min(2 * size, MOST_AT_ONCE)
