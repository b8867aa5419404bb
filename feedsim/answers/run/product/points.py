"""Products at the points of a sweep or a comparison: cells of a table, columns of a CSV."""

from __future__ import annotations

from feedsim.metrics.percent import DASH
from feedsim.metrics.results import Results
from feedsim.metrics.share import Share
from feedsim.quantities import whole
from feedsim.render.csv_table import Cells, ends
from feedsim.render.wording import seldom


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
    yield from _columns("products_complete", products.complete)
    yield from _columns("products_partial", products.partial)
    yield from _columns("products_empty", products.empty)
    yield from _columns("products_doubled", products.doubled)
    yield from _columns("products_good", products.good)
    yield from _columns("products_out_of_tolerance", products.out_of_tolerance)
    yield from _columns("products_wrong_overlap", products.wrong_overlap)
    yield "good_per_hour", products.good_per_hour
    if gate is not None:
        yield from _columns("gate_good_passed", gate.good_passed)
        yield from _columns("gate_good_diverted", gate.good_diverted)
        yield from _columns("gate_bad_diverted", gate.bad_diverted)
        yield from _columns("gate_bad_passed", gate.bad_passed)
        yield from _columns("gate_bad_of_passed", gate.bad_of_passed)
        yield "gate_passed_too_late", gate.passed_too_late
        yield "gate_good_passed_per_hour", gate.good_passed_per_hour


def _columns(name: str, share: Share) -> Cells:
    yield f"{name}_share", share.share
    yield from ends(f"{name}_share", share.ci95)
