"""``drive.csv``, a row for each feeder, line speed and candidate; ``cycle.csv``, over time."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.answers.drive.study.sizing import Sizing
from feedsim.drivetrain.course import course, typical_cycle
from feedsim.render.csv_table import csv_table, harmless

__all__ = ["cycle_csv", "drive_csv"]

_OVER_TIME = ("time_s", "feed_speed_mm_s", "speed_rpm", "torque_n_m")


def drive_csv(found: Mapping[str, Any]) -> bytes:
    """Return the table of a sizing, its columns with units in their names.

    Parameters
    ----------
    found : mapping
        As ``drive.json`` holds it. A row of a speed without a candidate has the load alone.
    """
    return csv_table(list(_rows(found)))


def _rows(found: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for feeder in found["feeders"]:
        highest = {c["name"]: c["highest_line_speed_mm_s"] for c in feeder["candidates"]}
        for point in feeder["speeds"]:
            head = {"feeder": feeder["name"]}
            head |= {
                name: value for name, value in point.items() if not isinstance(value, (dict, list))
            }
            if not point["candidates"]:
                yield {**head, "candidate": "", **point.get("load_alone", {})}
            for candidate in point["candidates"]:
                plain = {k: v for k, v in candidate.items() if k not in ("name", "criteria")}
                margins = {
                    f"{name}_margin": one["margin"] for name, one in candidate["criteria"].items()
                }
                name = candidate["name"]
                last = {"highest_line_speed_mm_s": highest[name]}
                yield {**head, "candidate": name, **plain, **margins, **last}


def cycle_csv(sizings: Sequence[Sizing], found: Mapping[str, Any]) -> bytes:
    """Return speed and torque over one feed cycle, of each feeder, line speed and candidate.

    Parameters
    ----------
    sizings : sequence of Sizing
    found : mapping
        As ``drive.json`` holds them. Time counts from where the clutch begins to close; without a
        candidate the torque is that of the mechanism alone.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("feeder", "line_speed_mm_s", "candidate", *_OVER_TIME))
    for sizing, plain in zip(sizings, found["feeders"], strict=True):
        drive = sizing.machine.feeders[sizing.number].drive
        motors = drive.motors if drive else ()
        rotors = [
            (one["name"], motor.rotor_inertia_kg_m2)
            for one, motor in zip(plain["candidates"], motors, strict=True)
        ]
        for point in sizing.points:
            if point.cycles is None:
                continue
            cycle = typical_cycle(point.cycles, rotor_kg_m2=0.0)
            for name, rotor in rotors or [("", 0.0)]:
                drawn = course(cycle, rotor_kg_m2=rotor)
                head = (harmless(plain["name"]), point.speed_mm_s, harmless(name))
                columns = (getattr(drawn, column).tolist() for column in _OVER_TIME)
                writer.writerows((*head, *row) for row in zip(*columns, strict=True))
    return text.getvalue().encode()
