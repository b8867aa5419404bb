"""A counted share with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.metrics.intervals import Interval, upper95, wilson

__all__ = ["Share", "share_of"]


@dataclass(frozen=True, slots=True)
class Share:
    """How often something happened.

    Attributes
    ----------
    count : int
        How often.
    share : float or None
        Of all cases, 0…1; None where there was no case.
    ci95 : Interval or None
        Two-sided 95 % Wilson interval of the share.
    upper95 : float or None
        One-sided 95 % upper limit, only where the count is 0.
    """

    count: int
    share: float | None
    ci95: Interval | None
    upper95: float | None


def share_of(count: int, n: int) -> Share:
    """Return ``count`` of ``n`` cases as a :class:`Share` (all None where n = 0)."""
    return Share(
        count=count,
        share=count / n if n else None,
        ci95=wilson(count, n),
        upper95=upper95(n) if count == 0 else None,
    )
