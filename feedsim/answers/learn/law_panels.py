"""The laws of pitch and gap over what was counted in the logs."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.learn.panel import BARS, NEW, OLD, nothing, titled
from feedsim.answers.learn.study.figures import Learned
from feedsim.answers.learn.study.learned import Learning
from feedsim.answers.learn.study.one_log import FeederInLog
from feedsim.arrays import Floats
from feedsim.arrivals import Arrival, Paced, RandomGaps
from feedsim.probability.distribution import clipped_at
from feedsim.quantities import System, display_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_pitches(axes: Axes, found: Learning, rows: dict[str, Learned], units: System) -> None:
    """Draw the pitches of the carriers, and their laws."""
    titled(axes, "pitch of the carriers")
    arrival = found.machine.carriers.arrival
    x = np.array(found.pitches_mm)
    if len(x) < 2:
        nothing(axes, "no carrier eye in the log")
        return
    unit = display_unit("length", units)
    law = found.arrival.found.law if found.arrival is not None else None
    curves: list[tuple[dict[str, Any], Arrival]] = []
    if arrival.name != "recorded":
        curves.append((OLD, arrival))
    pitch, sd = (rows.get(f"carrier.{key}") for key in ("pitch", "pitch_sd"))
    if law in {"paced", "random"} and pitch is not None and pitch.value is not None:
        gap = rows.get("carrier.min_gap")
        curves.append(
            (
                NEW,
                (RandomGaps if law == "random" else Paced)(
                    arrival.length_mm,
                    pitch.value,
                    sd.value if sd is not None and sd.value is not None else 0.0,
                    gap.value if gap is not None and gap.value is not None else 0.0,
                ),
            )
        )
    whole = len(x)
    if law == "paced":  # pitches with a carrier missing lie beyond
        x = x[x < 1.5 * np.median(x)]
    _histogram(axes, x, unit.factor)
    at = np.linspace(*axes.get_xlim(), 500) / unit.factor
    if whole > len(x):
        note = f"{whole - len(x)} of {whole} longer than\n1.5 pitches: not drawn"
        axes.text(0.99, 0.95, note, ha="right", va="top", transform=axes.transAxes, fontsize=8)
    for style, each in curves:
        _law(axes, at, x, each.share_below, each.pitch_mm, each.sd_mm, unit.factor, style)
    axes.set_xlabel(f"leading edge to leading edge ({unit.label})")
    axes.set_ylabel("carriers")


def draw_gaps(
    axes: Axes,
    found: Learning,
    part: FeederInLog,
    number: int,
    rows: dict[str, Learned],
    units: System,
) -> None:
    """Draw the gaps of a feeder's inserts, and their laws."""
    titled(axes, "gap of the inserts")
    ins = found.machine.feeders[number].inserts
    if part.inserts is None or not part.inserts.single.any():
        nothing(axes, "not in the log")
        return
    unit = display_unit("length", units)
    x = part.inserts.mm[part.inserts.single] - ins.length_mm
    _histogram(axes, x, unit.factor)
    low, high = (end / unit.factor for end in axes.get_xlim())
    reach = 3.0 * ins.gap_sd_mm
    at = np.linspace(min(low, ins.gap_mm - reach), max(high, ins.gap_mm + reach), 500)
    path = f"feeder.{number}.insert"
    gap, sd = rows.get(f"{path}.gap"), rows.get(f"{path}.gap_sd")
    curves = [(OLD, ins.gap_mm, ins.gap_sd_mm)]
    if gap is not None and sd is not None and gap.value is not None and sd.value is not None:
        curves.append((NEW, gap.value, sd.value))
    for style, mean, spread in curves:
        law = clipped_at(ins.min_gap_mm, mean=mean, sd=spread)
        _law(axes, at, x, law.share_below, mean, spread, unit.factor, style)
    axes.set_xlabel(f"tail to nose ({unit.label})")
    axes.set_ylabel("inserts")


def _bins(x: Floats) -> int:
    return int(min(60, max(8, math.sqrt(len(x)))))


def _histogram(axes: Axes, x: Floats, factor: float) -> None:
    axes.hist(x * factor, bins=_bins(x), **BARS)


def _law(
    axes: Axes,
    at: Floats,
    x: Floats,
    share_below: Callable[[float], float],
    mean: float,
    spread: float,
    factor: float,
    style: dict[str, Any],
) -> None:
    """Draw how many of x a law has in a bar of the histogram about each place."""
    if spread <= 0.0:
        axes.axvline(mean * factor, **style)
        return
    half = 0.5 * max((x.max() - x.min()) / _bins(x), 1e-9)
    shares = [share_below(a + half) - share_below(a - half) for a in at.tolist()]
    axes.plot(at * factor, len(x) * np.array(shares), **style)
