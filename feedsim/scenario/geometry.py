"""Whether the machine that a file describes can work at all, in the machine's own words.

The checks read the raw data key by key and pass over every key that is faulty in itself, so
that they can be made of a file with other faults, and all are told at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from feedsim.errors import Fault
from feedsim.quantities import display
from feedsim.scenario.keys import Refused
from feedsim.scenario.model import MOST_FEEDERS
from feedsim.scenario.tree import Node, node
from feedsim.scenario.wording import dotted, shown

__all__ = ["geometry_faults"]

_SAME_MM = 1e-9  # travels nearer than this are one (MODEL.md)
_SAME_S = 1e-12


def geometry_faults(data: dict[str, Any]) -> list[Fault]:
    """Find what cannot work, of the keys that are right in themselves.

    Parameters
    ----------
    data : dict
        A whole scenario as read from the file.

    Returns
    -------
    list of Fault
        Empty where all fits.
    """
    look = _Look(data)
    faults = [*_carriers(look), *_eye(look, ("carrier_eye",)), *_names(look)]
    for number in range(look.feeders):
        here = ("feeder", number)
        faults += [*_insert_path(look, here), *_target(look, here), *_eye(look, (*here, "eye"))]
    return faults


class _Look:
    """A look into raw data: the checked value of a key, or None where it has a fault."""

    def __init__(self, data: dict[str, Any]) -> None:
        self._data = data
        feeders = data.get("feeder")
        number = len(feeders) if isinstance(feeders, (list, tuple)) else 0
        self.feeders = number if number <= MOST_FEEDERS else 0

    def __call__(self, *path: str | int) -> Any:
        leaf = node([part for part in path if isinstance(part, str)])
        if leaf is None or leaf.leaf is None:
            return None
        try:
            return leaf.leaf.read(self.raw(path, leaf))
        except Refused:
            return None

    def raw(self, path: tuple[str | int, ...], leaf: Node) -> Any:
        """Give what stands there, its default if it may be left out, else None."""
        here: Any = self._data
        for part in path[:-1]:
            if isinstance(here, dict) and isinstance(part, str):
                here = here.get(part, {})
            elif isinstance(here, (list, tuple)) and isinstance(part, int):
                here = here[part]
            else:
                return None
        if not isinstance(here, dict):
            return None
        return here.get(path[-1], None if leaf.required else leaf.default)

    def fault(self, path: tuple[str | int, ...], allowed: str) -> Fault:
        """Make the fault of a key that is wrong beside the others."""
        leaf = node([part for part in path if isinstance(part, str)])
        found = shown(self.raw(path, leaf)) if leaf else ""
        return Fault(dotted(path), found, allowed)


def _carriers(look: _Look) -> Iterator[Fault]:
    names = ("pitch", "length", "min_gap", "arrival")
    pitch, length, min_gap, arrival = (look("carrier", name) for name in names)
    if None in (pitch, length, min_gap, arrival):
        return
    least = _mm(length + min_gap)
    if pitch < length + min_gap - _SAME_MM:
        allowed = f"at least {least} (carrier.length and carrier.min_gap): carriers would overlap"
        yield look.fault(("carrier", "pitch"), allowed)
    elif arrival == "random" and pitch <= length + min_gap + _SAME_MM:
        allowed = (
            f"more than {least} (carrier.length and carrier.min_gap): carriers that arrive at "
            "random need room on average"
        )
        yield look.fault(("carrier", "pitch"), allowed)


def _eye(look: _Look, here: tuple[str | int, ...]) -> Iterator[Fault]:
    response, jitter = look(*here, "response"), look(*here, "response_jitter")
    if None not in (response, jitter) and jitter > response + _SAME_S:
        allowed = (
            f"at most the response, {display(response, 'time')}: the eye would switch before "
            "the edge comes"
        )
        yield look.fault((*here, "response_jitter"), allowed)


def _names(look: _Look) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for number in range(look.feeders):
        name = look("feeder", number, "name")
        if name is not None and first.setdefault(name, number) != number:
            allowed = f"a name of its own: feeder.{first[name]} has this one"
            yield look.fault(("feeder", number, "name"), allowed)


def _insert_path(look: _Look, here: tuple[str | int, ...]) -> Iterator[Fault]:
    """Check the way of an insert from the insert eye to the placement point."""
    to_placement = look(*here, "insert_eye_to_placement")
    stage = look(*here, "settings", "stage_position")
    length, gap = look(*here, "insert", "length"), look(*here, "insert", "gap")
    min_gap = look(*here, "insert", "min_gap")
    if None not in (gap, min_gap) and gap < min_gap - _SAME_MM:
        yield look.fault((*here, "insert", "gap"), f"at least insert.min_gap, {_mm(min_gap)}")
    if None not in (stage, to_placement) and not 0.0 < stage < to_placement:
        allowed = (
            "a place between the insert eye and the placement point: more than 0 mm and less "
            f"than insert_eye_to_placement, {_mm(to_placement)}"
        )
        yield look.fault((*here, "settings", "stage_position"), allowed)
    if None in (stage, length, gap):
        return
    if stage >= length + gap - _SAME_MM:
        allowed = (
            f"less than {_mm(length + gap)} (insert.length and insert.gap): the next insert "
            "would be past the insert eye before this one is staged"
        )
        yield look.fault((*here, "settings", "stage_position"), allowed)
    reach = stage + length + gap
    if to_placement is not None and reach <= to_placement + _SAME_MM:
        allowed = (
            f"less than {_mm(reach)} (stage_position, insert.length and insert.gap): the feeder "
            "would stop with an insert short of the placement point and push two at once"
        )
        yield look.fault((*here, "insert_eye_to_placement"), allowed)


def _target(look: _Look, here: tuple[str | int, ...]) -> Iterator[Fault]:
    offset, length = look(*here, "settings", "target_offset"), look("carrier", "length")
    if None not in (offset, length) and offset >= length:
        allowed = f"less than carrier.length, {_mm(length)}: the insert would miss the carrier"
        yield look.fault((*here, "settings", "target_offset"), allowed)


def _mm(value: float) -> str:
    return display(value, "length", digits=7)
