"""Products at the points of a sweep or a comparison: cells of a table, columns of a CSV."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

__all__ = ["product_cells", "product_columns", "product_heads", "tells_products"]

_CLASSES = ("complete", "partial", "empty", "doubled", "good")
_GATE = ("good_passed", "good_diverted", "bad_diverted", "bad_passed")


def tells_products(point: Mapping[str, Any]) -> bool:
    """Tell whether products say more than the feeder does: several feeders, or a gate."""
    return len(point["feeders"]) > 1 or point["products"]["diverted"] is not None


def product_heads(point: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the heads of the table's figures."""
    gate = ("bad diverted", "bad passed", "good diverted")
    if point["products"]["diverted"] is None:
        return ("complete", "partial", "empty", "doubled", "good", "good an hour")
    return ("complete", "partial", "empty", "doubled", *gate, "good", "good passed an hour")


def product_cells(point: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the cells under :func:`product_heads` for one point."""
    products, diverted = point["products"], point["products"]["diverted"]
    gate: tuple[str, ...] = ()
    good, per_hour = products["good"], products["good_per_hour"]
    if diverted is not None:
        gate = tuple(_share(diverted[n]) for n in ("bad_diverted", "bad_passed", "good_diverted"))
        per_hour = diverted["good_passed_per_hour"]
    return (
        *(_share(products[name]) for name in _CLASSES[:4]),
        *gate,
        _share(good),
        "-" if per_hour is None else f"{per_hour:.0f}",
    )


def product_columns(point: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield names and values of the columns of ``sweep.csv``."""
    products, diverted = point["products"], point["products"]["diverted"]
    for name in (*_CLASSES, "out_of_tolerance", "wrong_overlap"):
        yield from _columns(f"products_{name}", products[name])
    yield "good_per_hour", products["good_per_hour"]
    if diverted is not None:
        for name in (*_GATE, "bad_of_passed"):
            yield from _columns(f"gate_{name}", diverted[name])
        yield "gate_passed_too_late", diverted["passed_too_late"]
        yield "gate_good_passed_per_hour", diverted["good_passed_per_hour"]


def _columns(name: str, share: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    low, high = share["ci95"] or (None, None)
    yield f"{name}_share", share["share"]
    yield f"{name}_share_low", low
    yield f"{name}_share_high", high


def _share(share: Mapping[str, Any]) -> str:
    if share["upper95"] is not None:
        return "none"
    return "-" if share["share"] is None else f"{100.0 * share['share']:.4g} %"
