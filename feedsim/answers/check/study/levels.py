"""Warnings about what an input filter or a polled eye lets through."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from feedsim.answers.check.study.checked_feeder import SIGMAS, CheckedFeeder
from feedsim.machine import Eye
from feedsim.metrics.percent import percent
from feedsim.quantities import named
from feedsim.running.run import criteria_of
from feedsim.settings.levels import filters, stays_on
from feedsim.settings.mechanisms_missed import carrier_gap, carrier_short
from feedsim.settings.mechanisms_unseen import insert_gap, insert_short

_HARDLY = 1e-6


class _Row(NamedTuple):
    """One eye, how fast cards pass it, and what it may not see of them."""

    name: str
    eye: Eye
    length_mm: float
    speed_mm_s: float
    short: float
    merged: float
    gap_mm: float


def levels(s: CheckedFeeder) -> Iterator[str]:
    """Warn of cards, and of gaps between them, that a filter or a scan hides."""
    for row in _rows(s):
        if not filters(row.eye):
            continue
        eye, v = row.eye, row.speed_mm_s
        lasts = stays_on(eye, length_mm=row.length_mm, speed_mm_s=v)
        card = lasts.bounds()[0] - SIGMAS * lasts.normal_sd
        if card < v * _longest(s, eye):
            yield (
                f"The {row.name} eye may not see {named(row.name)}: its output is on for as little "
                f"as {s.say(max(card, 0.0) / v, 'time')} {s.at_speed}, and {_wants(s, eye)}. "
                f"{_share(row.short)} of them are not seen. {_advice(s, eye)}"
            )
        drops = row.gap_mm - v * eye.off_response_s
        gap = drops + v * (eye.response_s - eye.response_jitter_s)
        if drops >= 0.0 and gap < v * _longest(s, eye):
            yield (
                f"The {row.name} eye may not see the gap between two {row.name}s: its output is "
                f"off for as little as {s.say(max(gap, 0.0) / v, 'time')} {s.at_speed}, and "
                f"{_wants(s, eye)}. {_share(row.merged)} of them merge with the one before. "
                f"{_advice(s, eye)}"
            )


def _rows(s: CheckedFeeder) -> Iterator[_Row]:
    c, ins = s.machine.carriers, s.feeder.inserts
    allowed = criteria_of(s.scenario)
    eye, spread = s.machine.carrier_eye, SIGMAS * s.machine.carrier_eye.edge_sd_mm
    least = c.arrival.least_gap_mm(SIGMAS)
    short, merged = carrier_short(s.here, allowed), carrier_gap(s.here, allowed)
    yield _Row("carrier", eye, c.length_mm, s.speed, short, merged, least - spread)
    eye, spread = s.feeder.eye, SIGMAS * s.feeder.eye.edge_sd_mm
    least = max(ins.gap_mm - SIGMAS * ins.gap_sd_mm, ins.min_gap_mm) - spread
    feed = s.here.feed_mm_s
    short, merged = insert_short(s.here, allowed), insert_gap(s.here, allowed)
    yield _Row("insert", eye, ins.length_mm, feed, short, merged, least)


def _longest(s: CheckedFeeder, eye: Eye) -> float:
    """Return how long a level must last to be surely seen (s)."""
    return max(eye.filter_s, s.machine.controller.scan_s if eye.polled else 0.0)


def _wants(s: CheckedFeeder, eye: Eye) -> str:
    scan = f"the program polls it every {s.say(s.machine.controller.scan_s, 'time')}"
    passes = f"its input filter passes nothing shorter than {s.say(eye.filter_s, 'time')}"
    if not eye.polled:
        return passes
    return f"{scan} and {passes}" if eye.filter_s else scan


def _share(share: float) -> str:
    return percent(share) if share >= _HARDLY else "Hardly any"


def _advice(s: CheckedFeeder, eye: Eye) -> str:
    by_scan = eye.polled and s.machine.controller.scan_s > eye.filter_s
    return "Latch the eye, or scan faster." if by_scan else "Shorten the filter."
