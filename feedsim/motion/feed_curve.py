"""Command and travel of a feed at many times at once.

What :func:`feedsim.motion.feed_piece.piece_command` and ``piece_position`` return for one time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from feedsim.arrays import Floats, Places
from feedsim.motion.crossing import cubic
from feedsim.motion.feed_piece import FeedPiece


class FeedCurve:
    """The pieces of a feed's motion as arrays.

    Parameters
    ----------
    pieces : sequence of FeedPiece
        One after another, of one servo; the last goes on.
    """

    def __init__(self, pieces: Sequence[FeedPiece]) -> None:
        shapes = [piece.shape for piece in pieces]
        self._start_s = np.array([piece.start_s for piece in pieces])
        self._command = np.array(
            [(p.command_mm, s.p1, s.p2, s.p3, s.p4) for p, s in zip(pieces, shapes, strict=True)]
        )
        self._position = np.array(
            [(p.f0_mm, s.f1, s.f2, s.f3, s.f4) for p, s in zip(pieces, shapes, strict=True)]
        )
        self._decay = np.array([piece.decay_mm for piece in pieces])
        self._gain = shapes[0].gain if shapes and shapes[0].gain < math.inf else 0.0

    def command(self, times: Floats) -> Floats:
        """Return the command (mm) at times (s), shape (n,)."""
        i, s = self._at(times)
        return _polynomial(self._command[i], s)

    def position(self, times: Floats) -> Floats:
        """Return the travel (mm) at times (s), shape (n,)."""
        i, s = self._at(times)
        lag: Floats = self._decay[i] * np.exp(-self._gain * s)
        return _polynomial(self._position[i], s) - lag

    def _at(self, times: Floats) -> tuple[Places, Floats]:
        i = np.maximum(np.searchsorted(self._start_s, times, side="right") - 1, 0)
        return i, times - self._start_s[i]


def _polynomial(c: Floats, s: Floats) -> Floats:
    return c[:, 0] + cubic(c[:, 1], c[:, 2], c[:, 3], c[:, 4], s) * s
