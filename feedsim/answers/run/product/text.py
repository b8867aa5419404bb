"""The products of a run, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

from feedsim.metrics.diverted import Diverted
from feedsim.metrics.overlaps import Overlap
from feedsim.metrics.products import MissedTogether, Products
from feedsim.metrics.share import Share
from feedsim.quantities import System, whole
from feedsim.render.layout import table
from feedsim.render.wording import length, length_range, time, within

_MOST_MISSING = 5


def products_text(products: Products, units: System) -> list[str]:
    """Return the figures of the products: their classes, what is wrong with them, overlaps."""
    rows = [(name, state, "\n".join(lines)) for name, state, lines in _rows(products, units)]
    return ["", "Products", *table(rows, "l")]


def _rows(products: Products, units: System) -> Iterator[tuple[str, str, list[str]]]:
    good = share_words(products.good)
    if products.good_per_hour is not None:
        good += f", {whole(products.good_per_hour)} per hour"
    yield "Good", "", [good]
    yield "Complete", "", [share_words(products.complete)]
    missing = list(_missing(products))
    yield "Partial", "", [share_words(products.partial)]
    yield "Empty", "", [share_words(products.empty)]
    if missing:
        yield "Missing", "", missing
    if products.doubled.count:
        yield "Doubled", "", [share_words(products.doubled)]
    if products.out_of_tolerance.count:
        yield "Out of tolerance", "", [share_words(products.out_of_tolerance)]
    for overlap in products.overlaps:
        yield (
            "Overlap" if overlap.nominal_mm > 0.0 else "Clearance",
            "WRONG" if overlap.wrong.count else "",
            list(_overlap(overlap, units)),
        )
    if products.diverted is not None:
        yield from _gate_rows_text(products.diverted)


def _missing(products: Products) -> Iterator[str]:
    """Yield which feeders missed together, each shared cause named once."""
    told = products.missing[:_MOST_MISSING]
    yield from (f"{whole(missed.count)} × {_together(missed)}" for missed in told)
    rest = sum(m.count for m in products.missing[len(told) :]) + products.missing_otherwise
    if rest:
        yield f"{whole(rest)} × otherwise: see products.csv"


def _together(missed: MissedTogether) -> str:
    by_cause: dict[str, list[str]] = {}
    for at in missed.feeders:
        by_cause.setdefault(at.cause.replace("_", " "), []).append(at.feeder)
    return "; ".join(f"{' and '.join(names)}: {cause}" for cause, names in by_cause.items())


def _overlap(overlap: Overlap, units: System) -> Iterator[str]:
    """Describe an overlap, or a clearance if the targets keep the inserts apart."""
    clear = overlap.nominal_mm <= 0.0
    sign = -1.0 if clear else 1.0
    names = (
        f"{overlap.below} to {overlap.above}" if clear else f"{overlap.above} on {overlap.below}"
    )
    yield f"{names}: {length(sign * overlap.nominal_mm, units)} by targets"
    if overlap.mean_mm is None or overlap.min_mm is None or overlap.max_mm is None:
        yield "never both placed"
        return
    sd = "" if overlap.sd_mm is None else f", sd {length(overlap.sd_mm, units)}"
    least, most = sorted((sign * overlap.min_mm, sign * overlap.max_mm))
    reach = length_range(least, most, units)
    yield f"mean {length(sign * overlap.mean_mm, units)}{sd}, from {reach}"
    limits = (overlap.min_allowed_mm, overlap.max_allowed_mm)
    low, high = (None if limit is None else sign * limit for limit in limits[:: int(sign)])
    if low is not None or high is not None:
        wrong = overlap.wrong
        outside = f"{whole(wrong.count)} outside: {within(wrong.share, wrong.ci95, wrong.upper95)}"
        yield f"wanted {_wanted(low, high, units)}; {outside}"


def _wanted(low: float | None, high: float | None, units: System) -> str:
    if low is not None and high is not None:
        return length_range(low, high, units)
    if low is not None:
        return f"at least {length(low, units)}"
    return f"at most {length(high or 0.0, units)}"


def _gate_rows_text(diverted: Diverted) -> Iterator[tuple[str, str, list[str]]]:
    """Yield name, state and lines of each row about the gate."""
    passed = share_words(diverted.good_passed)
    if diverted.good_passed_per_hour is not None:
        passed += f", {whole(diverted.good_passed_per_hour)} per hour"
    yield "Good, passed", "", [passed]
    yield "Bad, diverted", "", [share_words(diverted.bad_diverted)]
    if diverted.good_diverted.count:
        yield "Good, diverted", "", [share_words(diverted.good_diverted)]
    lines = [share_words(diverted.bad_passed)]
    if diverted.bad_passed.count:
        lines += _why_passed(diverted)
        bad = diverted.bad_of_passed
        lines.append(f"of all that passed, {within(bad.share, bad.ci95, bad.upper95)}")
    yield "Bad, passed", "", lines
    reasons = _some(asdict(diverted.diverted_for))
    if reasons:
        spare = diverted.least_to_spare_s
        known = (
            "" if spare is None else f"; each known {time(spare)} or more before it was too late"
        )
        yield "Diverted for", "", [reasons + known]
    if diverted.not_reached:
        yield "Not at the gate", "", [f"{whole(diverted.not_reached)}: the run was given up before"]


def _why_passed(diverted: Diverted) -> Iterator[str]:
    yield _some(asdict(diverted.passed_with))
    if diverted.passed_unknown:
        yield f"{whole(diverted.passed_unknown)} not known to be bad"
    if diverted.passed_too_late:
        late = time(diverted.most_too_late_s or 0.0)
        yield f"{whole(diverted.passed_too_late)} known too late, by up to {late}"


def _some(counts: dict[str, int]) -> str:
    return ", ".join(f"{whole(n)} {name.replace('_', ' ')}" for name, n in counts.items() if n)


def share_words(share: Share) -> str:
    """Say count, share and interval, or that none was seen.

    >>> share_words(Share(1, 0.25, None, None, 4.0, "fewer_than_20"))
    '1: 25 % (no interval below 20)'
    """
    if share.share is None:
        return "none"
    said = within(share.share, share.ci95, share.upper95)
    return said if share.upper95 is not None else f"{whole(share.count)}: {said}"
