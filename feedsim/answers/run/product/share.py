"""A share of products in words."""

from __future__ import annotations

from feedsim.metrics.share import Share
from feedsim.render.wording import percent, percent_range

__all__ = ["share_words"]


def share_words(share: Share) -> str:
    """Say count, share and interval, or that none was seen.

    >>> share_words(Share(0, 0.0, None, 0.0015, None))
    'none seen (95 %: below 0.15 %)'
    """
    if share.share is None:
        return "none"
    if share.upper95 is not None:
        return f"none seen (95 %: below {percent(share.upper95, digits=2)})"
    within = f" (95 %: {percent_range(share.ci95)})" if share.ci95 else ""
    return f"{share.count}: {percent(share.share)}{within}"
