"""The divert gate in a scene: where it is, and what it does with each carrier."""

from __future__ import annotations

from dataclasses import replace

from feedsim.answers.rehearse.study.columns import column
from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.metrics.gate_rows import Known, gate_rows
from feedsim.metrics.plain import Plain
from feedsim.metrics.product_rows import ProductClass, ProductRows, needed, product_rows
from feedsim.running.run import criteria_of


def needs_plain(stretch: Excerpt) -> list[Plain]:
    """Return the feeders, by number, that must have placed for a product to be complete."""
    return list(needed(stretch.machine, criteria_of(stretch.scenario)))


def complete_before(stretch: Excerpt) -> int:
    """Return how many products before those in the picture were complete."""
    classes = _products(stretch).classes[: stretch.carriers.start]
    return int((classes == ProductClass.COMPLETE).sum())


def gate_plain(stretch: Excerpt) -> dict[str, Plain] | None:
    """Return the gate with columns for the carriers in the picture; None where there is none.

    Returns
    -------
    dict or None
        ``at_mm``, ``decide_before_mm``. Columns: ``diverted``; ``known``, the number of its word
        in ``words``; ``known_s``, when that was (NaN: never).
    """
    divert = stretch.machine.divert
    if divert is None:
        return None
    here = slice(stretch.carriers.start, stretch.carriers.stop)
    rows = gate_rows(
        replace(stretch.records, warm_up=0),
        divert,
        needs=needed(stretch.machine, criteria_of(stretch.scenario)),
        good=_products(stretch).good,
    )
    return {
        "at_mm": divert.at_mm,
        "decide_before_mm": divert.decide_before_mm,
        "words": [what.name.lower() for what in Known],
        "diverted": column(rows.diverted[here], "u1"),
        "known": column(rows.known[here], "u1"),
        "known_s": column(rows.known_time_s[here]),
    }


def _products(stretch: Excerpt) -> ProductRows:
    records = replace(stretch.records, warm_up=0)
    return product_rows(records, stretch.machine, criteria=criteria_of(stretch.scenario))
