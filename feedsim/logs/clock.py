"""How a log writes its times: seconds in some unit, sample numbers, or a time of day."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta

DAY_S = 86_400.0

_TIME = re.compile(r"(?:(\d{4}-\d\d-\d\d)[T ])?(\d{1,2}):(\d\d):(\d\d(?:[.,]\d{1,9})?)Z?", re.ASCII)


@dataclass(frozen=True, slots=True)
class LogClock:
    """Writes a time of the log's axis as the log itself would.

    ``of_day``: as a time of day; ``first_day``: an ISO date, the day whose midnight is 0, or "".

    >>> LogClock(of_day=True).text(50_587.2114), LogClock().text(12.3454)
    ('14:03:07.211', '12.345 s')
    """

    of_day: bool = False
    first_day: str = ""

    def text(self, time_s: float) -> str:
        """Write a time, to the millisecond."""
        if not self.of_day:
            return f"{time_s:.3f} s"
        ms = round(time_s * 1000.0)
        days, ms = divmod(ms, 86_400_000)
        clock = f"{ms // 3_600_000:02}:{ms // 60_000 % 60:02}:{ms // 1000 % 60:02}.{ms % 1000:03}"
        if not self.first_day:
            return clock
        return f"{date.fromisoformat(self.first_day) + timedelta(days=days)} {clock}"


class TimeOfDay:
    """Reads times of day, with or without a date, as seconds since the first day's midnight.

    ``first_day``: ISO date of the first time read; "" where they have none.
    """

    def __init__(self) -> None:
        self.first_day = ""
        self._minutes: dict[str, float] = {}  # what stands before the seconds is mostly the same

    def read(self, text: str) -> float:
        """Return a time (s); raises ValueError if the text is none."""
        minute, _, seconds = text.strip().removesuffix("Z").rpartition(":")
        known = self._minutes.get(minute)
        if known is not None and seconds[:2].isdecimal() and seconds[2:3] in {".", ""}:
            value = float(seconds)
            if value < 61.0 and "_" not in seconds:
                return known + value
        return self._read(text)

    def _read(self, text: str) -> float:
        found = _TIME.fullmatch(text.strip())
        if found is None or int(found[2]) > 23 or int(found[3]) > 59:
            raise ValueError
        seconds = float(found[4].replace(",", "."))
        mixed = bool(self._minutes) and (self.first_day == "") != (found[1] is None)
        if seconds >= 61.0 or mixed:
            raise ValueError
        day = 0.0
        if found[1] is not None:
            self.first_day = self.first_day or found[1]
            day = (datetime.fromisoformat(found[1]) - datetime.fromisoformat(self.first_day)).days
        minute = day * DAY_S + int(found[2]) * 3600.0 + int(found[3]) * 60.0
        self._minutes[text.strip().rpartition(":")[0]] = minute
        return minute + seconds
