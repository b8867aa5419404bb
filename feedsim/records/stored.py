"""Records too long for memory: columns in a temporary file, read on demand."""

from __future__ import annotations

import os
import weakref
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from threading import Lock
from typing import Any, cast
from weakref import WeakValueDictionary

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin
from numpy.typing import NDArray

from feedsim.arrays import Bools, Places
from feedsim.errors import FeedsimError
from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords

AT_ONCE = 65_536
"""Rows read or processed at a time."""


def stored(blocks: Iterable[tuple[int, RunRecords]]) -> RunRecords:
    """Write the blocks of a run to a temporary file as they come, and return the records.

    The file is deleted with the records, or when the process ends. The blocks are parts of one run
    without stops, each with the number of its first carrier; a later row of a carrier replaces the
    earlier one. The last block has the books. Raises FeedsimError if there is no room for them.
    """
    columns: tuple[_Columns, ...] = ()
    last: RunRecords | None = None
    for first, last in blocks:
        parts: tuple[CarrierRecords | FeederRecords, ...] = (last.carriers, *last.feeders)
        columns = columns or tuple(_Columns(part) for part in parts)
        for one, part in zip(columns, parts, strict=True):
            one.put(first, part)
    if last is None:
        raise ValueError("no blocks")
    carriers, *feeders = columns
    for feeder, part in zip(feeders, last.feeders, strict=True):
        feeder.books = part.books
    return replace(
        last,
        carriers=cast("CarrierRecords", carriers),
        feeders=tuple(cast("FeederRecords", feeder) for feeder in feeders),
    )


class _Columns:
    """The columns of one class of records, as attributes."""

    books: InsertBooks

    def __init__(self, like: CarrierRecords | FeederRecords) -> None:
        self._names = [f.name for f in fields(like) if f.name != "books"]
        for name in self._names:
            setattr(self, name, StoredColumn(getattr(like, name).dtype))

    def put(self, first: int, part: CarrierRecords | FeederRecords) -> None:
        for name in self._names:
            getattr(self, name).put(first, getattr(part, name))


class ReadColumn(NDArrayOperatorsMixin, ABC):
    """A read-only column kept elsewhere; slices and row lists read a part, all else the whole."""

    ndim = 1
    dtype: np.dtype[Any]
    _count = 0

    @property
    def shape(self) -> tuple[int]:
        """As an array's."""
        return (self._count,)

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, rows: Any) -> Any:
        if isinstance(rows, slice):
            start, stop, step = rows.indices(self._count)
            if step == 1:
                return self._read(start, max(start, stop))
            return self._read(0, self._count)[rows]
        if isinstance(rows, np.ndarray) and rows.ndim == 1:
            mask = rows.dtype == np.bool_
            return self._where(rows) if mask else self._at(rows)
        return self._read(int(rows) % self._count, int(rows) % self._count + 1)[0]

    def _where(self, mask: Bools) -> NDArray[Any]:
        found = np.empty(int(np.count_nonzero(mask)), self.dtype)
        end = 0
        for begin in range(0, self._count, AT_ONCE):
            part = slice(begin, min(begin + AT_ONCE, self._count))
            some = self._read(part.start, part.stop)[mask[part]]
            found[end : end + len(some)] = some
            end += len(some)
        return found

    def _at(self, rows: Places) -> NDArray[Any]:
        if len(rows) > 1 and (rows[1:] < rows[:-1]).any():
            whole: NDArray[Any] = self[:][rows]
            return whole
        found, i = np.empty(len(rows), self.dtype), 0
        while i < len(rows):
            low = int(rows[i])
            j = int(np.searchsorted(rows, low + AT_ONCE))
            found[i:j] = self._read(low, int(rows[j - 1]) + 1)[rows[i:j] - low]
            i = j
        return found

    @abstractmethod
    def _read(self, start: int, stop: int) -> NDArray[Any]:
        """Return the rows from `start` up to, not including, `stop`."""

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        values = self._read(0, self._count)
        return values if dtype is None else values.astype(dtype, copy=False)

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **more: Any) -> Any:
        whole = (x[:] if isinstance(x, ReadColumn) else x for x in inputs)
        return getattr(ufunc, method)(*whole, **more)

    def __iter__(self) -> Iterator[Any]:
        return iter(self[:])


class StoredColumn(ReadColumn):
    """A column in a temporary file."""

    def __init__(self, dtype: np.dtype[Any]) -> None:
        self.dtype = dtype
        self._file = _file()
        self._firsts: list[int] = []
        self._places: list[int] = []

    def put(self, first: int, values: NDArray[Any]) -> None:
        """Write values starting at a row: appended, or over earlier ones."""
        values = np.ascontiguousarray(values, self.dtype)
        again = max(0, min(len(values), self._count - first))
        for begin, end, place in self._pieces(first, first + again):
            self._file.write(values[begin - first : end - first], place)
        if again < len(values):
            self._firsts.append(self._count)
            self._places.append(self._file.write(values[again:]))
            self._count += len(values) - again

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        values = np.empty(stop - start, self.dtype)
        for begin, end, place in self._pieces(start, stop):
            self._file.read(values[begin - start : end - start], place)
        return values

    def _pieces(self, start: int, stop: int) -> Iterator[tuple[int, int, int]]:
        """Yield first row, end and file offset of each contiguous piece."""
        number = bisect_right(self._firsts, start) - 1
        while start < stop:
            ends = self._firsts[number + 1 : number + 2] or [self._count]
            end = min(stop, *ends)
            first = self._firsts[number]
            yield start, end, self._places[number] + (start - first) * self.dtype.itemsize
            start, number = end, number + 1


class _File:
    """A temporary file, deleted with the last of its columns.

    All columns of a process share it, since the number of open files is limited.
    """

    def __init__(self) -> None:
        from tempfile import TemporaryFile

        with _told():
            self._file = TemporaryFile(prefix="feedsim-")  # noqa: SIM115 - closed with the columns
        weakref.finalize(self, self._file.close)
        self._end, self._lock = 0, Lock()

    def write(self, values: NDArray[Any], place: int | None = None) -> int:
        """Write values at an offset, or at the end; return the offset."""
        with self._lock, _told():
            place = self._end if place is None else place
            self._file.seek(place)
            self._file.write(values.data)
            self._file.flush()
            self._end = max(self._end, place + values.nbytes)
        return place

    def read(self, values: NDArray[Any], place: int) -> None:
        """Fill values from an offset."""
        with self._lock:
            self._file.seek(place)
            self._file.readinto(values.view(np.uint8).data)


@contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        from tempfile import gettempdir

        place = gettempdir()
        msg = f"cannot keep the records in {place}: {error.strerror}; TMPDIR names another"
        raise FeedsimError(msg) from None


_files: WeakValueDictionary[int, _File] = WeakValueDictionary()
"""By process: a forked process must not move the position in its parent's file."""


def _file() -> _File:
    found = _files.get(os.getpid())
    if found is None:
        found = _files[os.getpid()] = _File()
    return found
