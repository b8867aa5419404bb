"""``drive.csv``, a row for each feeder, line speed and candidate; ``cycle.csv``, over time."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import fields

from feedsim.answers.drive.study.results import FeederSizing
from feedsim.drivetrain.course import course, typical_cycle
from feedsim.metrics.plain import Plain, plain
from feedsim.render.csv_table import csv_table, harmless

_OVER_TIME = ("time_s", "feed_speed_mm_s", "speed_rpm", "torque_n_m")


def drive_csv(feeders: Sequence[FeederSizing]) -> bytes:
    """Return the table of a sizing, its columns with units in their names.

    A row of a speed without a candidate has the load alone.
    """
    return csv_table(list(_rows(feeders)))


def _rows(feeders: Sequence[FeederSizing]) -> Iterator[dict[str, Plain]]:
    for feeder in feeders:
        for point in feeder.speeds:
            head = {"feeder": feeder.name, **_figures(point)}
            if not point.candidates:
                load = _figures(point.moving.load_alone) if point.moving else {}
                yield {**head, "candidate": "", **load}
            for motor, one in zip(feeder.candidates, point.candidates, strict=False):
                margins = {
                    f"{f.name}_margin": getattr(one.criteria, f.name).margin
                    for f in fields(one.criteria)
                }
                highest = {"highest_line_speed_mm_s": plain(motor.highest_line_speed_mm_s)}
                figures = {"candidate": one.name, **_figures(one)}
                del figures["name"]
                yield {**head, **figures, **margins, **highest}


def _figures(of: object) -> dict[str, Plain]:
    """Return the plain figures of a dataclass by name, without its nested parts."""
    found = plain(of)
    parts = found.items() if isinstance(found, dict) else ()
    return {name: value for name, value in parts if not isinstance(value, dict | list)}


def cycle_csv(feeders: Sequence[FeederSizing]) -> bytes:
    """Return speed and torque over one feed cycle, of each feeder, line speed and candidate.

    Time counts from where the clutch begins to close; without a candidate the torque is that of
    the mechanism alone.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("feeder", "line_speed_mm_s", "candidate", *_OVER_TIME))
    for feeder in feeders:
        rotors = [(one.name, one.motor.rotor_inertia_kg_m2) for one in feeder.candidates]
        for point in feeder.speeds:
            if point.moving is None:
                continue
            cycle = typical_cycle(point.moving.stretches, rotor_kg_m2=0.0)
            for name, rotor in rotors or [("", 0.0)]:
                drawn = course(cycle, rotor_kg_m2=rotor)
                head = (harmless(feeder.name), point.line_speed_mm_s, harmless(name))
                columns = (getattr(drawn, column).tolist() for column in _OVER_TIME)
                writer.writerows((*head, *row) for row in zip(*columns, strict=True))
    return text.getvalue().encode()
