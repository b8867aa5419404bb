"""Whether recipe and divert gate fit the rest of the scenario."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.errors import Fault
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.scenario.given import Given, KeyPath, mm
from feedsim.scenario.product import ALL
from feedsim.scenario.wording import dotted, shown


def product_faults(given: Given) -> Iterator[Fault]:
    """Find faults between keys that are valid in themselves."""
    if isinstance(given.raw("product"), dict):
        yield from _needs(given)
        yield from _pairs(given)
    if isinstance(given.raw("divert"), dict):
        yield from _gate(given)


def _names(given: Given) -> dict[str, int] | None:
    """Return the feeders' numbers by their names; None if a name is not known."""
    names = [given("feeder", number, "name") for number in range(given.feeders)]
    return None if None in names or not names else {n: i for i, n in enumerate(names)}


def _needs(given: Given) -> Iterator[Fault]:
    names, needs = _names(given), given("product", "needs")
    if names is None or needs is None or needs == ALL:
        return
    for place, name in enumerate(needs):
        if name not in names:
            yield _no_feeder(("product", "needs", place), name, names)


def _no_feeder(path: KeyPath, name: str, names: dict[str, int]) -> Fault:
    known = ", ".join(f'"{known}"' for known in list(names)[:10])
    more = ", …" if len(names) > 10 else ""
    return Fault(dotted(path), shown(name), f"the name of a feeder: {known}{more}")


def _pairs(given: Given) -> Iterator[Fault]:
    names = _names(given)
    first: dict[frozenset[str], int] = {}
    for place, _ in given.rows("product", "pair"):
        here = ("product", "pair", place)
        pair = {side: given(*here, side) for side in ("below", "above")}
        if names is None or None in pair.values():
            continue
        unknown = {side: name for side, name in pair.items() if name not in names}
        for side, name in unknown.items():
            yield _no_feeder((*here, side), name, names)
        if unknown:
            continue
        below, above = (names[name] for name in pair.values())
        both = frozenset(pair.values())
        if below == above:
            yield given.fault((*here, "above"), "another feeder than below")
        elif first.setdefault(both, place) != place:
            allowed = f"a pair of its own: product.pair.{first[both]} is of these two"
            yield given.fault((*here, "above"), allowed)
        else:
            yield from _order(given, here, below=below, above=above)
            yield from _limits(given, here, below=below, above=above)


def _order(given: Given, here: KeyPath, *, below: int, above: int) -> Iterator[Fault]:
    """Check the order of placement points: the insert laid first lies below."""
    first, then = (given("feeder", number, "eye_to_placement") for number in (below, above))
    if None not in (first, then) and then <= first + SAME_TRAVEL_MM:
        allowed = (
            f"a feeder whose placement point lies further downstream than {mm(first)} "
            f"(feeder.{below}.eye_to_placement; this one's is at {mm(then)}): what is laid later "
            "lies on top"
        )
        yield given.fault((*here, "above"), allowed)


def _limits(given: Given, here: KeyPath, *, below: int, above: int) -> Iterator[Fault]:
    low, high = given(*here, "min_overlap"), given(*here, "max_overlap")
    lengths = [given("feeder", number, "insert", "length") for number in (below, above)]
    if None not in (low, high) and high < low - SAME_TRAVEL_MM:
        yield given.fault((*here, "max_overlap"), f"at least min_overlap, {mm(low)}")
    if low is not None and None not in lengths and low > min(lengths) + SAME_TRAVEL_MM:
        allowed = f"at most {mm(min(lengths))}, the shorter of the two inserts"
        yield given.fault((*here, "min_overlap"), allowed)


def _gate(given: Given) -> Iterator[Fault]:
    """Check that the gate lies beyond the last insert and has a reason to divert."""
    at, before = given("divert", "at"), given("divert", "decide_before")
    ends = list(_laid_whole(given))
    if at is not None and ends and at < max(ends)[0] - SAME_TRAVEL_MM:
        least, number = max(ends)
        allowed = (
            f"at least {mm(least)}: only there is an insert of feeder.{number} wholly on its "
            "carrier (eye_to_placement, settings.target_offset and insert.length)"
        )
        yield given.fault(("divert", "at"), allowed)
    if None not in (at, before) and before >= at:
        allowed = f"less than divert.at, {mm(at)}: the carrier is not seen before the carrier eye"
        yield given.fault(("divert", "decide_before"), allowed)
    if [given("divert", name) for name in ("missed", "doubled", "late")] == [False] * 3:
        allowed = "true, or one of doubled and late true: else nothing is ever diverted"
        yield given.fault(("divert", "missed"), allowed)


def _laid_whole(given: Given) -> Iterator[tuple[float, int]]:
    """Yield the travel (mm) at which each feeder's insert is wholly on its carrier."""
    for number in range(given.feeders):
        parts = [
            given("feeder", number, "eye_to_placement"),
            given("feeder", number, "settings", "target_offset"),
            given("feeder", number, "insert", "length"),
        ]
        if None not in parts:
            yield sum(parts), number
