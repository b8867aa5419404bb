"""The mean placement error of all laid inserts: its known part, and other effects.

The known part consists of the error left by settings
(:func:`feedsim.settings.predict.expected_offsets`), the encoder's scale error, the lateness of
carriers that waited for their insert, acts in step with each other
(:mod:`feedsim.settings.in_step`, :mod:`feedsim.settings.counts_in_step`), what a lag leaves in
unlike cycles, and the effect of merging. The lag's is the mean of its law
(:mod:`feedsim.settings.lag_left`); where that is left out, what searches that go on bring
(:mod:`feedsim.settings.unlike`) and uneven gaps between inserts
(:mod:`feedsim.settings.uneven_gaps`). An edge seen early is more likely to merge with the card
ahead, so the remaining ones are seen late. With s(b) the share that merges if the eye needs a gap
b, and edges normal with sd σ, their mean is σ²·s'(b)/(1 − s) (C. Stein 1981, E[u·f(u)] =
σ²·E[f'(u)], from memory). A polled eye sees an off level of length L < scan with
probability L/scan; its tick is then uniform within the level and the next one comes scan less up to
L after the edge: h(L) = (L/scan)·(scan − L)/2 later than on average.

Other effects only have a size (:mod:`feedsim.settings.besides`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from feedsim.criteria import Criteria
from feedsim.machine import Eye
from feedsim.settings.besides import Besides, besides, served
from feedsim.settings.counts_in_step import opened_in_counts
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.in_step import corrected_in_step
from feedsim.settings.marks import share_merged
from feedsim.settings.mechanisms_unseen import insert_gap
from feedsim.settings.predict import expected_offsets, mean_shift, scale_shift
from feedsim.settings.sources import lag_part, lag_shifts
from feedsim.settings.uneven_gaps import behind_early_openings, by_early_edges
from feedsim.settings.unlike import after_searches
from feedsim.settings.waiting import waiting

_RARE = 1e-5
_BY, _TICKS = 0.1, 16


@dataclass(frozen=True, slots=True)
class MeanError:
    """The mean placement error of all inserts laid at a line speed (mm; above 0: late).

    Attributes
    ----------
    in_time_mm : float
        Of inserts whose carrier did not wait for the feeder.
    waits_mm : float
        Contribution of those that did.
    besides : tuple of Besides
        Effects not included.
    """

    in_time_mm: float
    waits_mm: float
    besides: tuple[Besides, ...]

    @property
    def mean_mm(self) -> float:
        """Of all laid inserts."""
        return self.in_time_mm + self.waits_mm

    @property
    def most_mm(self) -> float:
        """Its largest error."""
        return sum(each.most_mm for each in self.besides)


def mean_error(at: FeederAtSpeed, allowed: Criteria) -> MeanError:
    """Return the mean placement error at the feeder's speed."""
    in_time = placement_mean(at) + _merging(at, allowed)
    in_time += corrected_in_step(at) + opened_in_counts(at).mean_mm
    early = behind_early_openings(at, served(at, allowed))
    if lag_part(at) is None:
        in_time += after_searches(at) + early.mean_mm + by_early_edges(at)
    else:
        in_time += early.next_cycle_mm  # all else is in the lag's law
    waits = waiting(at, allowed, closely=True) if at.controller.not_ready_engages else None
    return MeanError(in_time, waits.mean_mm if waits else 0.0, besides(at, allowed, waits))


def placement_mean(at: FeederAtSpeed) -> float:
    """Return the mean placement error that settings, scale error and lag leave (mm).

    The mean of a budget: the sum of :func:`feedsim.settings.predict.placement_shifts` and
    :func:`feedsim.settings.sources.lag_shifts`.
    """
    return expected_offsets(at).error_mm + scale_shift(at) + mean_shift(lag_shifts(at))


def _merging(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Return the mean lateness of edges that do not merge (mm): carriers' less inserts'."""

    def carriers(eye: Eye) -> float:
        return share_merged(FeederAtSpeed(replace(at.machine, carrier_eye=eye), at.feeder, v))

    def inserts(eye: Eye) -> float:
        return insert_gap(FeederAtSpeed(at.machine, replace(at.feeder, eye=eye), v), allowed)

    v, scan_s = at.speed_mm_s, at.controller.scan_s
    late = _seen_late(at.carrier_eye, carriers, v, scan_s)
    return late - at.belt_per_feed * _seen_late(at.eye, inserts, at.feed_mm_s, scan_s)


def _seen_late(eye: Eye, merged: Callable[[Eye], float], mm_s: float, scan_s: float) -> float:
    share = merged(eye)
    if share < _RARE or share >= 1.0:
        return 0.0
    late, sd = 0.0, eye.edge_sd_mm
    if sd > 0.0:
        off_s = _BY * sd / mm_s
        ends = [
            merged(replace(eye, off_response_s=max(0.0, eye.off_response_s + by)))
            for by in (-off_s, off_s)
        ]
        late = sd * (ends[1] - ends[0]) / (2.0 * _BY)
    if eye.polled and max(eye.filter_s, eye.response_s) < scan_s:
        late += mm_s * _polled_late(eye, merged, scan_s)
    return late / (1.0 - share)


def _polled_late(eye: Eye, merged: Callable[[Eye], float], scan_s: float) -> float:
    """Return E[h(L)] (s), L the time for which the input is off: the extra delay of edges seen.

    It begins an off-response after a tail and ends a response after the next edge.
    """
    plain = replace(eye, polled=False, filter_s=0.0)

    def longer(x: float) -> float:
        gap_s = eye.off_response_s + x - eye.response_s
        return 1.0 - merged(replace(plain, off_response_s=gap_s))

    shortest = max(eye.filter_s, eye.response_s)  # behind a shorter one the card merges
    step = (scan_s - shortest) / _TICKS
    at_least = shortest * (scan_s - shortest) / (2.0 * scan_s) * longer(shortest)
    places = [shortest + (k + 0.5) * step for k in range(_TICKS)]
    return at_least + sum(step * (0.5 - x / scan_s) * longer(x) for x in places)
