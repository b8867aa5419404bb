"""What logs show of line and carriers, against the scenario: one row per quantity, known or not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from feedsim.answers.learn.study.figures import (
    CLOCKS_APART,
    Finding,
    Learned,
    Subject,
    Verdict,
    mean_of,
    pooled,
)
from feedsim.answers.learn.study.one_log import InLog
from feedsim.answers.learn.study.pitches import (
    Pitches,
    missing_of_random,
    shortest_of_random,
)
from feedsim.answers.learn.study.scans import ScanSeen, scan_of_all
from feedsim.machine import Machine
from feedsim.metrics.intervals import share_interval

NO_ENCODER = "no encoder count in the log"
_NO_EYE = "no carrier eye in the log"
_SURELY = 0.001
_TELLS = 0.5
_ACTS = 75  # from then on 2/π, the periodogram of a grid of twice the step, is clear of chance
_ALIKE = 0.05


def of_all(parts: Iterable[Finding | None]) -> Finding | None:
    """Combine the figures of several logs into one; None if no log has it."""
    return pooled([part for part in parts if part is not None])


def counted_share(hits: int, n: int) -> Finding:
    """Return a share that was counted."""
    return Finding(hits / n, *share_interval(hits / n, n), n)


def share_of_all(parts: Iterable[Finding | None]) -> Finding:
    """Return the share in all logs together."""
    known = [part for part in parts if part is not None]
    n = sum(part.n for part in known)
    return counted_share(round(sum(part.value * part.n for part in known)), n)


def less_unseen(row: Subject, share: Finding, scenario: float, *, unseen: float) -> Learned:
    """Compare a counted share with the scenario's, less what an eye misses: it looks the same.

    It differs if a count this high or low has a chance below 1 in 1000 by the binomial law.
    """
    from scipy.special import bdtr, bdtrc

    value, low, high = (max(0.0, x - unseen) for x in share[:3])
    note = (
        "less those that the eye misses by the scenario"
        if unseen > 0.0
        else "those that the eye misses look the same"
    )
    hits, expected = round(share.value * share.n), 1.0 - (1.0 - scenario) * (1.0 - unseen)
    more = float(bdtrc(hits - 1, share.n, expected)) if hits else 1.0
    fewer = float(bdtr(hits, share.n, expected))
    verdict: Verdict = "differs" if 2.0 * min(more, fewer) < _SURELY else "agrees"
    told = row.told(Finding(value, low, high, share.n), scenario, note)
    return replace(told, verdict=verdict)


def named(what: str, log: InLog, logs: Sequence[InLog]) -> str:
    """Return the words for a quantity that each log has of its own."""
    return what if len(logs) == 1 else f"{what} in {log.name}"


def line_rows(logs: Sequence[InLog], machine: Machine) -> Iterator[Learned]:
    """Yield what is learned of the belt: the speed of each log, and how even it was."""
    scale, has = machine.encoder.scale, machine.line.speed_mm_s
    belts = [(log, log.belt) for log in logs if log.belt is not None]
    if not belts:
        why = f"{NO_ENCODER}, and no carrier eye to go by"
        yield Subject("line.speed", "line speed", "speed").untold(has, why)
        return
    nearest = min(belts, key=lambda pair: abs(pair[1].speed.value * scale - has))[0]
    for log, belt in belts:
        own = log is nearest and not machine.line.profile
        row = Subject("line.speed" if own else "", named("line speed", log, logs), "speed")
        why = "by the encoder" if log.measured else "from the carriers' length alone"
        yield row.told(belt.speed.scaled(scale), has if own else None, why, apart=CLOCKS_APART)
    measured = [belt for log, belt in belts if log.measured]
    if measured:
        worst = max(measured, key=lambda belt: belt.uneven.value)
        row = Subject("", "unevenness over a second", "share")
        yield row.told(worst.uneven, None if machine.line.profile else 0.0)


def controller_rows(logs: Sequence[InLog], machine: Machine) -> Iterator[Learned]:
    """Yield what is learned of scan and motion cycle."""
    control = machine.controller
    each = {id(log.lattice): log.lattice for log in logs}  # parts of a log have one of them
    lattices = [lattice for lattice in each.values() if lattice is not None]
    cycle = of_all(lattice.period for lattice in lattices)
    motion = Subject("controller.motion_cycle", "motion cycle", "time")
    scan = Subject("controller.scan", "scan", "time")
    seen = scan_in_all(logs)
    one = cycle is not None and seen is not None and _on_one_grid(machine, seen)
    in_step = cycle is not None and one and _alike(control.scan_s, cycle)
    if cycle is None:
        why, high = _without_grid(logs)
        yield motion.untold(control.motion_cycle_s, why, low=0.0, high=high)
    elif in_step:
        why = "acts fall on the scan's grid, every edge being scanned"
        yield motion.untold(control.motion_cycle_s, why, low=0.0, high=cycle.high)
        yield scan.told(cycle, control.scan_s, apart=CLOCKS_APART)
    elif one and not _alike(control.motion_cycle_s, cycle):
        why = (
            "every edge being scanned, acts fall on one grid: the scan's, or the motion cycle's "
            "with a shorter scan"
        )
        yield motion.untold(control.motion_cycle_s, why, low=0.0, high=cycle.high)
    else:
        yield motion.told(cycle, control.motion_cycle_s, apart=CLOCKS_APART)
    if seen is not None and seen.scan is not None:
        yield scan.told(seen.scan, control.scan_s, "from the spread of acts behind scanned edges")
    elif not in_step:
        why = "acts show when the motion cycle acts, not when the program scanned"
        if seen:
            why = "acts behind scanned edges spread over one step of their grid alone"
        yield scan.untold(control.scan_s, why, low=0.0)
    if lattices:
        worst = max((lattice.jitter for lattice in lattices), key=lambda jitter: jitter.value)
        yield Subject("", "acts off their grid, sd", "time").told(worst, 0.0)


def _without_grid(logs: Sequence[InLog]) -> tuple[str, float | None]:
    """Return why no grid was found, and the longest possible motion cycle if it is regular."""
    sides = [
        [side for f in log.feeders for side in (f.closings, f.openings) if side is not None]
        for log in logs
    ]
    if not any(sides) and not any(f.engaged for log in logs for f in log.feeders):
        return "no clutch in the log", None
    many = [
        (sum(len(side.time_s) for side in its), log) for its, log in zip(sides, logs, strict=True)
    ]
    enough = [log.step_s for count, log in many if count >= _ACTS]
    if not enough:
        most = max(count for count, _ in many)
        return f"{most} acts in a log are too few: a grid shows from some {_ACTS} on", None
    why = (
        "acts fall on no grid that shows in the log: it is finer than twice the log's step, or "
        "acts are not regular"
    )
    return why, 2.0 * min(enough)


def scan_in_all(logs: Sequence[InLog]) -> ScanSeen | None:
    """Return what the acts behind scanned eyes show of the scan."""
    sides = [
        side for log in logs for part in log.feeders for side in (part.closings, part.openings)
    ]
    return scan_of_all([side.scan for side in sides if side is not None and side.scan is not None])


def _on_one_grid(machine: Machine, seen: ScanSeen) -> bool:
    """Tell whether all acts spread over one step of their grid: that of the scans, unless short."""
    eyes = [machine.carrier_eye, *(feeder.eye for feeder in machine.feeders)]
    return all(eye.scanned for eye in eyes) and seen.scan is None


def _alike(time_s: float, grid: Finding) -> bool:
    return abs(time_s - grid.value) <= _ALIKE * grid.value


def carrier_rows(logs: Sequence[InLog], machine: Machine) -> Iterator[Learned]:
    """Yield what is learned of how carriers come."""
    arrival = machine.carriers.arrival
    pitch, spread, gap, missing = _quantities(machine)
    seen = [
        (log, log.carriers)
        for log in logs
        if log.carriers is not None and log.carriers.mean is not None
    ]
    if not seen:
        blind = all(log.carriers is None for log in logs)
        why = _NO_EYE if blind else "too few carriers in the log"
        yield pitch.untold(arrival.pitch_mm, why)
        yield spread.untold(arrival.sd_mm, why)
        return
    laws = {log.law.law for log, _ in seen if log.law is not None}
    if "paced" not in laws and laws & {"random", "none"}:
        yield from _random_rows(seen, machine, none="random" not in laws)
        return
    scale = machine.encoder.scale
    mean = of_all(pitches.mean for _, pitches in seen)
    if mean is not None:
        yield pitch.told(mean.scaled(scale), arrival.pitch_mm)
    sd = of_all(pitches.sd for _, pitches in seen)
    if sd is None:
        yield spread.untold(arrival.sd_mm, "too few pitches in a row")
    else:
        yield spread.told(sd.scaled(scale), arrival.sd_mm)
    least = min(float(pitches.mm.min()) + 4.0 * log.edge_noise_mm for log, pitches in seen)
    yield gap.untold(
        arrival.min_gap_mm,
        "the shortest gap seen: carriers came no closer",
        low=0.0,
        high=max(0.0, least * scale - arrival.length_mm),
    )
    share = share_of_all(pitches.missing for _, pitches in seen)
    unseen = machine.carrier_eye.missed
    yield less_unseen(missing, share, machine.carriers.missing, unseen=unseen)


def _quantities(machine: Machine) -> tuple[Subject, Subject, Subject, Subject]:
    """Return pitch, spread, shortest gap and missing carriers; a record has no keys for them."""
    path = "" if machine.carriers.arrival.name == "recorded" else "carrier."
    rows = (
        ("pitch", "pitch", "length"),
        ("pitch_sd", "spread of the pitch", "length"),
        ("min_gap", "shortest gap", "length"),
        ("missing", "missing carriers", "share"),
    )
    a, b, c, d = (Subject(path and f"{path}{key}", what, kind) for key, what, kind in rows)
    return a, b, c, d


def _random_rows(
    seen: Sequence[tuple[InLog, Pitches]], machine: Machine, *, none: bool
) -> Iterator[Learned]:
    """Yield the rows of carriers that come at random, or by no known law."""
    arrival, scale = machine.carriers.arrival, machine.encoder.scale
    pitch, _, gap, missing = _quantities(machine)
    present = machine.seen_share
    mean = of_all(mean_of(pitches.mm) for _, pitches in seen)
    note = "" if present == 1.0 else "with the scenario's share missing"
    shortest = of_all(
        shortest_of_random(pitches.mm, noise_mm=math.sqrt(2.0) * log.edge_noise_mm)
        for log, pitches in seen
    )
    if mean is not None:
        yield pitch.told(mean.scaled(scale * present), arrival.pitch_mm, note)
    if mean is not None and shortest is not None and not none:
        least = shortest.scaled(scale, -arrival.length_mm)
        note = "with the scenario's carrier length"
        yield gap.told(least, arrival.min_gap_mm, note)
    has = machine.carriers.missing
    if none:
        yield missing.untold(
            has, "without a known law a missing carrier looks like a long gap", low=0.0
        )
        return
    shares, most = zip(*(missing_of_random(pitches.mm) for _, pitches in seen), strict=True)
    share = max(shares, key=lambda one: one.n)
    if share.high < _TELLS * max(most):
        note = "from pitches longer than random gaps explain"
        unseen = machine.carrier_eye.missed
        value, low, high = (max(0.0, end - unseen) for end in share[:3])
        yield missing.told(Finding(value, low, high, share.n), has, note)
    else:
        why = "where carriers come at random a missing one looks like a long gap"
        yield missing.untold(has, why, low=0.0, n=share.n)


def unseen_rows(machine: Machine) -> Iterator[Learned]:
    """Yield what no log shows of the line, and why."""
    delay = Subject("carrier_eye.response", "carrier eye's own delay", "time")
    yield delay.untold(machine.carrier_eye.response_s, OWN_DELAY)
    slip = Subject("carrier.slip", "slip of carriers", "length")
    yield slip.untold(machine.carriers.slip_mm, NO_SENSOR)
    scale = Subject("line.encoder.scale_error", "scale error of the encoder", "share")
    yield scale.untold(machine.encoder.scale_error, "all travel in a log is the encoder's own")


OWN_DELAY = "a log begins where the eye's output switches; placements show what came before"
NO_SENSOR = "no sensor sees it; measured placements show it"
