"""A share of products in words."""

from __future__ import annotations

from feedsim.metrics.share import Share
from feedsim.render.wording import whole, within

__all__ = ["share_words"]


def share_words(share: Share) -> str:
    """Say count, share and interval, or that none was seen.

    >>> share_words(Share(0, 0.0, None, 0.0015, None))
    'none seen (95 %: below 0.15 %)'
    """
    if share.share is None:
        return "none"
    said = within(share.share, share.ci95, share.upper95)
    return said if share.upper95 is not None else f"{whole(share.count)}: {said}"
