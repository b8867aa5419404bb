"""What the divert gate did, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

from feedsim.answers.run.product.share import share_words
from feedsim.metrics.diverted import Diverted
from feedsim.quantities import whole
from feedsim.render.wording import time, within


def gate_rows_text(diverted: Diverted) -> Iterator[tuple[str, str, list[str]]]:
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
