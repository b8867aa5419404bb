"""Carriers laid on by a paced feeder upstream: normal pitches, clipped at the shortest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.arrivals.law import Arrival, RandomStream


@dataclass(frozen=True, slots=True)
class Paced(Arrival):
    """Independent normal pitches, clipped (feedsim/MODEL.md, section 3)."""

    def pitches(
        self, stream: RandomStream, sizes: Iterator[int], *, replication: int
    ) -> Iterator[Floats]:
        """Yield pitches (mm) in blocks of these sizes."""
        del replication
        for n in sizes:
            drawn = stream.standard_normal(n) if self.pitch_sd_mm else np.zeros(n)
            yield np.maximum(self.pitch_mm + self.pitch_sd_mm * drawn, self.shortest_mm)

    def sample(self, fractions: Floats, *, again: bool = False) -> Floats:
        """Return the pitches (mm) at fractions (0…1) of the law."""
        from scipy.special import ndtri

        del again
        found: Floats = np.maximum(
            self.pitch_mm + self.pitch_sd_mm * ndtri(fractions), self.shortest_mm
        )
        return found
