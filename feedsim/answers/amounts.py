"""Quantities and shares that an argument gives as text with its unit, or a share as a number."""

from __future__ import annotations

from collections.abc import Callable

from feedsim.errors import Fault, FeedsimError, argument
from feedsim.measures import QuantityError, only_taken, parse
from feedsim.quantities import Kind


def quantity_of(
    name: str, text: str, kind: Kind, *, fits: Callable[[float], bool], allowed: str
) -> float:
    """Read the quantity of an argument; FeedsimError if it is none of this kind, or does not fit.

    The error proposes only values that the argument takes.
    """

    def is_taken(proposed: str) -> bool:
        try:
            return fits(parse(proposed, kind))
        except QuantityError:
            return False

    try:
        value = parse(text, kind)
    except QuantityError as error:
        if ";" in str(error):
            allowed = only_taken(str(error), is_taken, allowed)
    else:
        if fits(value):
            return value
    raise FeedsimError(Fault(argument(name), repr(text[:40]), allowed))


def share_of(name: str, given: float | str, low: float, high: float) -> float:
    """Read a share from `low` to `high`: a fraction, or text such as ``"5 %"``.

    Raises FeedsimError if it is none, or out of range.
    """
    if isinstance(given, str):
        allowed = f'a share from "{100.0 * low:g} %" to "{100.0 * high:g} %"'
        return quantity_of(
            name, given, "share", fits=lambda share: low <= share <= high, allowed=allowed
        )
    if not low <= given <= high:
        allowed = f"{100.0 * low:g} % to {100.0 * high:g} %"
        raise FeedsimError(Fault(argument(name), f"{100.0 * given:g} %", allowed))
    return given
