"""Process capability: how well a spread fits between two limits."""

from __future__ import annotations

from typing import NamedTuple


class Capability(NamedTuple):
    """Cp (spread alone) and Cpk (with the actual mean), both dimensionless."""

    cp: float
    cpk: float


def capability(mean: float, sd: float, *, lower: float, upper: float) -> Capability | None:
    """Return Cp = (upper − lower)/6sd and Cpk = min(upper − mean, mean − lower)/3sd.

    Cpk is below 0 where the mean is outside. None where sd is 0, since neither then has a value.
    Raises ValueError if the limits are not in order or sd is below 0. Source: NIST/SEMATECH
    e-Handbook of Statistical Methods, 6.1.6.

    >>> capability(16.0, 2.0, lower=8.0, upper=20.0).cp
    1.0
    """
    if not lower < upper or sd < 0.0:
        msg = f"need lower < upper and sd ≥ 0, not {lower}, {upper} and {sd}"
        raise ValueError(msg)
    if sd == 0.0:
        return None
    return Capability(
        cp=(upper - lower) / (6.0 * sd), cpk=min(upper - mean, mean - lower) / (3.0 * sd)
    )
