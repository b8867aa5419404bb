"""Products at the points of a sweep or a comparison: cells of a table, columns of a CSV."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.metrics.diverted import Diverted
from feedsim.metrics.percent import DASH
from feedsim.metrics.products import Products
from feedsim.metrics.results import Results
from feedsim.metrics.share import Share
from feedsim.quantities import whole
from feedsim.render.csv_table import Cells, ends
from feedsim.render.wording import seldom

_CLASSES = ("complete", "partial", "empty", "doubled", "good")
_FAULTS = ("out_of_tolerance", "wrong_overlap")
_GATE = ("good_passed", "good_diverted", "bad_diverted", "bad_passed", "bad_of_passed")


def tells_products(results: Results) -> bool:
    """Return whether products say more than the feeder does: several feeders, or a gate."""
    return len(results.feeders) > 1 or results.products.diverted is not None


def product_heads(results: Results) -> tuple[str, ...]:
    """Return the heads of the table's figures."""
    gate = ("bad diverted", "bad passed", "good diverted")
    if results.products.diverted is None:
        return ("complete", "partial", "empty", "doubled", "good", "good per hour")
    return ("complete", "partial", "empty", "doubled", *gate, "good", "good passed per hour")


def product_cells(results: Results) -> tuple[str, ...]:
    """Return the cells under :func:`product_heads` for one point."""
    products, gate = results.products, results.products.diverted
    shares = [products.complete, products.partial, products.empty, products.doubled]
    per_hour = products.good_per_hour
    if gate is not None:
        shares += [gate.bad_diverted, gate.bad_passed, gate.good_diverted]
        per_hour = gate.good_passed_per_hour
    return (
        *(seldom(s.share, s.ci95, s.upper95) for s in [*shares, products.good]),
        DASH if per_hour is None else whole(per_hour),
    )


def product_columns(results: Results) -> Cells:
    """Yield names and values of the columns of ``sweep.csv``."""
    products, gate = results.products, results.products.diverted
    yield from _shares("products", products, _CLASSES + _FAULTS)
    yield "good_per_hour", products.good_per_hour
    if gate is not None:
        yield from _shares("gate", gate, _GATE)
        yield "gate_passed_too_late", gate.passed_too_late
        yield "gate_good_passed_per_hour", gate.good_passed_per_hour


def _shares(of: str, figures: Products | Diverted, names: Sequence[str]) -> Cells:
    for name in names:
        share: Share = getattr(figures, name)
        yield f"{of}_{name}_share", share.share
        yield from ends(f"{of}_{name}_share", share.ci95)
