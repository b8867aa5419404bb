"""Products as CSV: a line per carrier."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.criteria import Criteria
from feedsim.files.new_files import Content
from feedsim.machine import Machine
from feedsim.metrics.gate_rows import Gate, Known, gate_rows
from feedsim.metrics.overlaps import overlaps_mm, told_pairs
from feedsim.metrics.product_rows import ProductClass, needed, product_rows
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome

__all__ = ["products_csv"]

_ROWS_AT_ONCE = 4096
_CAUSES = {int(outcome): outcome.cause for outcome in Outcome}
_GATE = {int(kind): kind.name.lower() for kind in Gate}
_KNOWN = {int(what): "" if what is Known.NOTHING else what.name.lower() for what in Known}
_CLASSES = {int(kind): kind.name.lower() for kind in ProductClass}


class _Column(NamedTuple):
    """A column and its words, where it holds numbers of words."""

    name: str
    values: NDArray[np.generic]
    words: dict[int, str] | None = None


def products_csv(
    records: RunRecords,
    machine: Machine,
    *,
    criteria: Criteria,
    only: NDArray[np.intp] | None = None,
) -> Content:
    """Return what writes ``products.csv``: a row per counted carrier.

    Its number (the warm-up counted, as in ``carriers.csv``), its class, whether it is good and
    what is wrong with it (1 and 0); on a line with a divert gate what that did, what was known of
    the carrier first, when, and until when it had to be; then, by number of the feeder, what
    became of it there, the placement error and whether a double was placed; then by numbers, below
    and above, the overlaps of the pairs that the summary tells. A cell is empty where there is
    nothing to say.

    Parameters
    ----------
    records, machine, criteria
        Of the run.
    only : array of int, optional
        Carriers that have a row, in rising order; all when left out.
    """
    if only is None:
        only = np.arange(records.warm_up, len(records.carriers.eye_time_s))
    return partial(_write, records, machine, criteria, only)


def _columns(records: RunRecords, machine: Machine, criteria: Criteria) -> Iterator[_Column]:
    rows = product_rows(records, machine, criteria=criteria)
    yield _Column("product", rows.classes, _CLASSES)
    for name in ("good", "doubled", "out_of_tolerance", "wrong_overlap"):
        yield _Column(name, getattr(rows, name).astype(np.int8))
    if machine.divert is not None:
        needs = needed(machine, criteria)
        gate = gate_rows(records, machine.divert, needs=needs, good=rows.good)
        yield _Column("gate", gate.gate, _GATE)
        yield _Column("known", gate.known, _KNOWN)
        yield _Column("known_time_s", gate.known_time_s)
        yield _Column("divert_by_time_s", gate.divert_by_time_s)
    for number, feeder in enumerate(records.feeders):
        outcome = feeder.outcome[records.warm_up :]
        placed = outcome == Outcome.PLACED
        error = np.where(placed, feeder.placement_error_mm[records.warm_up :], np.nan)
        double = placed & (feeder.double[records.warm_up :] != 0)
        yield _Column(f"feeder_{number}_outcome", outcome, _CAUSES)
        yield _Column(f"feeder_{number}_placement_error_mm", error)
        yield _Column(f"feeder_{number}_double", double.astype(np.int8))
    for pair in told_pairs(records, machine, criteria.recipe):
        overlap = overlaps_mm(records, machine, one=pair.below, other=pair.above)
        yield _Column(f"overlap_{pair.below}_{pair.above}_mm", overlap)


def _write(
    records: RunRecords,
    machine: Machine,
    criteria: Criteria,
    only: NDArray[np.intp],
    file: BinaryIO,
) -> None:
    columns = list(_columns(records, machine, criteria))
    heads = ["carrier", *(column.name for column in columns)]
    file.write((",".join(heads) + "\n").encode("ascii"))
    for first in range(0, len(only), _ROWS_AT_ONCE):
        numbers = only[first : first + _ROWS_AT_ONCE]
        cells: list[Iterable[str]] = [map(str, numbers.tolist())]
        cells += [_cells(column, numbers - records.warm_up) for column in columns]
        text = "\n".join(map(",".join, zip(*cells, strict=True)))
        file.write((text + "\n").encode("ascii"))


def _cells(column: _Column, rows: NDArray[np.intp]) -> list[str]:
    values = column.values[rows].tolist()
    if column.words is not None:
        return [column.words[value] for value in values]
    return ["" if value != value else repr(value) for value in values]  # noqa: PLR0124 - NaN
