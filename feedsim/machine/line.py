"""The conveyor in numbers: line, encoder, carriers, eyes and the program that reads them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from feedsim.machine.inserts import Inserts
from feedsim.machine.settings import Settings

if TYPE_CHECKING:
    from feedsim.arrivals import Arrival


@dataclass(frozen=True, slots=True)
class Line:
    """The conveyor.

    Attributes
    ----------
    speed_mm_s : float
        Nominal line speed; without a profile the speed from t = 0.
    acceleration_mm_s2 : float
        Acceleration of a speed change that is not part of a profile.
    profile : tuple of (time_s, speed_mm_s)
        Points with rising times, speed linear between them, the last one held.
        Empty: the belt runs at ``speed_mm_s`` from t = 0. Before the first point it has that
        point's speed.
    """

    speed_mm_s: float
    acceleration_mm_s2: float = 500.0
    profile: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Encoder:
    """The master.

    ``count_mm``: counted travel per count q (0: no quantisation, as on a virtual master).
    ``scale_error``: ε: true belt travel = (1 + ε) · counted travel.
    """

    count_mm: float = 0.0
    scale_error: float = 0.0

    @property
    def scale(self) -> float:
        """1 + ε, true belt travel per counted travel."""
        return 1.0 + self.scale_error


@dataclass(frozen=True, slots=True)
class Carriers:
    """The carriers on the belt.

    ``arrival``: how far apart they come. ``missing``: share of pitches without a carrier, 0 beside
    a record.
    """

    arrival: Arrival
    missing: float = 0.0
    slip_mm: float = 0.0
    slip_sd_mm: float = 0.0

    @property
    def length_mm(self) -> float:
        """The length of a carrier."""
        return self.arrival.length_mm

    @property
    def pitch_mm(self) -> float:
        """The mean pitch, leading edge to leading edge."""
        return self.arrival.pitch_mm

    def room_mm(self, inserts: Inserts) -> float:
        """Return how far an insert may lie from the leading edge without overhanging the other."""
        return self.length_mm - inserts.length_mm

    def reach_mm(self, settings: Settings) -> float:
        """Return how late a carrier may be without being out of reach (feedsim/MODEL.md, 5)."""
        return self.length_mm - settings.target_offset_mm


@dataclass(frozen=True, slots=True)
class Eye:
    """A photo-eye.

    ``scanned``: the travel is stored at a scan tick; else latched. ``polled``, only with
    ``scanned``: only the level at scan ticks counts. ``filter_s``: how long a level must last to
    count.
    """

    response_s: float = 0.0
    response_jitter_s: float = 0.0
    off_response_s: float = 0.0
    edge_sd_mm: float = 0.0
    missed: float = 0.0
    scanned: bool = False
    polled: bool = False
    filter_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Controller:
    """The program that reads the eyes and works the clutches."""

    scan_s: float = 0.0
    motion_cycle_s: float = 0.0
    speed_filter_s: float = 0.0
    search_limit_mm: float = 10_000.0
    mark_memory: int = 8
    late_mark_engages: bool = False
    not_ready_engages: bool = False
