"""A share of products in words."""

from __future__ import annotations

from feedsim.metrics.share import Share
from feedsim.quantities import whole
from feedsim.render.wording import within


def share_words(share: Share) -> str:
    """Say count, share and interval, or that none was seen.

    >>> share_words(Share(1, 0.25, None, None, 4.0, "fewer_than_20"))
    '1: 25 % (no interval below 20)'
    """
    if share.share is None:
        return "none"
    said = within(share.share, share.ci95, share.upper95)
    return said if share.upper95 is not None else f"{whole(share.count)}: {said}"
