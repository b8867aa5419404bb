"""Plain data as the text of a JSON file."""

from __future__ import annotations

import json
from collections.abc import Mapping

from feedsim.metrics.plain import Plain


def json_text(plain: Mapping[str, Plain]) -> str:
    """Write plain data for people: two spaces of indent, a newline at the end.

    Floats are in their shortest exact form, letters of any language unchanged. Half of a surrogate
    pair (from a broken command line) is escaped, so the text can always be encoded in UTF-8.
    ValueError for a NaN or an infinity: JSON has none, they are None before they come here.
    """
    text = json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return text.encode("utf-8", errors="backslashreplace").decode("utf-8")
