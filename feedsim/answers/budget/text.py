"""The error budget as tables to read in a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from feedsim.answers.budget.study.budget import Compared, Point
from feedsim.answers.budget.study.plain import share_of
from feedsim.answers.budget.study.run import is_steady
from feedsim.answers.budget.words import closing
from feedsim.quantities import Kind, System, display, display_unit
from feedsim.render.canvas import one_line
from feedsim.render.wording import DASH, length, length_number, percent
from feedsim.scenario import Scenario
from feedsim.settings.sources import Source

__all__ = ["budget_text", "table", "wrapped"]

WIDTH = 100
_ALL = 0.999999
_OF_RUNS = frozenset({"late_engages", "stops"})  # doubts that do not name their speed
_GAP = "  "


def budget_text(
    scenario: Scenario,
    points: Sequence[Point],
    *,
    in_full_mm_s: float | None,
    units: System = "metric",
) -> str:
    """Return the budgets as text, and what dominates them.

    Parameters
    ----------
    scenario : Scenario
    points : sequence of Point
        Rising in speed.
    in_full_mm_s : float or None
        The speed whose budget is written out; None: the shares at all speeds side by side.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    run = scenario.run
    each = " at each speed, the same cards at all" if len(points) > 1 else ""
    lines = [
        one_line(scenario.title, WIDTH),
        f"{run.carriers} carriers{each}, seed {scenario.seed}",
    ]
    if not is_steady(scenario):
        lines += wrapped(
            "The budget is that of a steady line: its speed profile, faults and adjustments are "
            "left out, in the simulation as well."
        )
    for number in range(len(scenario.feeder)):
        row = [(point.line_speed_mm_s, point.feeders[number]) for point in points]
        if in_full_mm_s is None:
            lines += ["", *_side_by_side(row, units)]
        else:
            (one,) = (compared for speed, compared in row if speed == in_full_mm_s)
            lines += ["", *_in_full(scenario, in_full_mm_s, one, units)]
            lines += _elsewhere(row, in_full_mm_s, units)
        lines += ["", *wrapped(" ".join(closing(row, units=units)))]
    return "\n".join(lines)


def table(rows: Sequence[Sequence[str]], *, left: int = 1) -> list[str]:
    """Return rows of cells as lines, the first columns to the left and the rest to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        cells = (
            cell.ljust(width) if place < left else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        lines.append((_GAP + _GAP.join(cells)).rstrip())
    return lines


def wrapped(text: str, head: str = "") -> list[str]:
    """Break a text into lines, the first after its head and the others below it."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_on_hyphens=False,
    )


# -- one speed in full ---------------------------------------------------------------------


def _in_full(
    scenario: Scenario, speed_mm_s: float, compared: Compared, units: System
) -> Iterator[str]:
    budget = compared.budget
    at = display(speed_mm_s, "speed", units=units)
    yield f"{budget.name} at {at}: error budget of the placement"
    whole = budget.combined_sd_mm
    ranked = sorted(budget.sources, key=lambda source: -source.contribution_mm)
    heads = ("source", "distribution", "std uncertainty", "sensitivity", "contribution", "share")
    rows: list[tuple[str, ...]] = [heads]
    rows += [_line(source, whole, units) for source in ranked]
    rows.append(("combined", "", "", "", length(whole, units), "100 %" if whole else DASH))
    simulated = compared.simulated
    sd = DASH if simulated.sd_mm is None else length(simulated.sd_mm, units)
    rows.append((f"simulated, n = {simulated.placed}", "", "", "", sd, ""))
    yield from table(rows, left=2)
    yield ""
    yield from wrapped(_against_run(compared, units))
    yield from (line for doubt in compared.doubts for line in wrapped(doubt.words, "  ! "))
    yield ""
    yield from _mean(compared, units)
    accept = scenario.acceptance
    yield from wrapped(
        f"So {_percent(budget.within_tolerance)} of the inserts land within "
        f"±{display(accept.placement_tolerance, 'length', units=units)} in closed form; "
        f"{percent(accept.within_tolerance)} are wanted."
    )


def _percent(share: float) -> str:
    return "more than 99.9999 %" if _ALL < share < 1.0 else percent(share, digits=2)


def _line(source: Source, whole_mm: float, units: System) -> tuple[str, ...]:
    kind: Kind = "length" if source.unit == "mm" else "time"
    shape: str = source.distribution
    if source.half_width is not None:
        shape += f", ±{display(source.half_width, kind, units=units, digits=3)}"
    label, factor = display_unit("length", units)
    per = label if source.unit == "mm" else "ms"
    slope = source.sensitivity_mm_per_unit
    slope *= 1.0 if source.unit == "mm" else factor / 1e3
    return (
        source.name,
        shape,
        display(source.standard_uncertainty, kind, units=units),
        f"{slope:+.3g} {label}/{per}",
        length(source.contribution_mm, units),
        f"{100.0 * share_of(source, whole_mm):.1f} %",
    )


def _against_run(compared: Compared, units: System) -> str:
    simulated, ends = compared.simulated, compared.ratio_ci95
    if simulated.sd_mm is None:
        return (
            f"{simulated.placed or 'No'} insert{' was' if simulated.placed == 1 else 's were'} "
            f"placed in the simulation: too few to hold the budget against."
        )
    if simulated.sd_ci95_mm is None:
        return (
            f"{simulated.placed} inserts were placed in the simulation: too few for an interval to "
            f"hold the budget against."
        )
    if compared.ratio is None or ends is None:
        return "In the simulation the placement does not spread."
    low, high = simulated.sd_ci95_mm
    return (
        f"Simulated {length_number(low, units)} to {length(high, units)} at 95 %; combined over "
        f"simulated {compared.ratio:.3f} ({ends.low:.3f} to {ends.high:.3f}): {_verdict(compared)}."
    )


def _verdict(compared: Compared) -> str:
    if compared.agreement == "differs":
        unknown = "for no reason that is known here: try feedsim check"
        return f"THEY DIFFER by more than 3 %, {'see below' if compared.doubts else unknown}"
    if compared.agreement == "agrees":
        return "they agree within 3 %"
    return "no difference of more than 3 % is shown, more carriers would tell"


def _mean(compared: Compared, units: System) -> Iterator[str]:
    budget, simulated = compared.budget, compared.simulated
    yield "Mean, apart from spread (above 0: the insert lies too far back)"
    rows = [(shift.name, length(shift.mean_mm, units, sign=True)) for shift in budget.shifts]
    rows = [(name, shown) for name, shown in rows if shown != length(0.0, units)]
    rows.append(("together", length(budget.mean_mm, units, sign=True)))
    if simulated.mean_mm is not None and simulated.mean_ci95_mm is not None:
        low, high = (length_number(end, units, sign=True) for end in simulated.mean_ci95_mm)
        shown = length(simulated.mean_mm, units, sign=True)
        rows.append(("simulated", f"{shown}  ({low} to {high} at 95 %)"))
    label = max(len(name) for name, _ in rows)
    yield from (f"  {name.ljust(label)}  {shown}" for name, shown in rows)


def _elsewhere(
    row: Sequence[tuple[float, Compared]], in_full_mm_s: float, units: System
) -> Iterator[str]:
    """Say how budget and run go together at the other speeds."""
    others = [(speed, compared) for speed, compared in row if speed != in_full_mm_s]
    ratios = [compared.ratio for _, compared in others if compared.ratio is not None]
    if not ratios:
        return
    yield ""
    ends = (others[0][0], others[-1][0])
    slowest, fastest = (display(speed, "speed", units=units) for speed in ends)
    yield from wrapped(
        f"At {len(others)} other speeds, {slowest} to {fastest}, combined over simulated is "
        f"{min(ratios):.3f} to {max(ratios):.3f}."
    )
    yield from _warnings(others, units)


# -- many speeds side by side --------------------------------------------------------------


def _side_by_side(row: Sequence[tuple[float, Compared]], units: System) -> Iterator[str]:
    unit = display_unit("length", units).label
    yield f"{row[0][1].budget.name}: share of the variance in % (standard deviations in {unit})"
    names = max(len(s.name) for _, compared in row for s in compared.budget.sources)
    cell = len(length_number(0.0, units)) + len(_GAP)
    columns = (WIDTH - len(_GAP) - names) // cell
    for first in range(0, len(row), columns):
        if first:
            yield ""
        yield from _block(row[first : first + columns], units)
    yield from _warnings(row, units)


def _block(row: Sequence[tuple[float, Compared]], units: System) -> list[str]:
    label, factor = display_unit("speed", units)
    budgets = [compared.budget for _, compared in row]
    largest: dict[str, float] = {}
    for budget in budgets:
        for s in budget.sources:
            share = share_of(s, budget.combined_sd_mm)
            largest[s.name] = max(largest.get(s.name, 0.0), share)
    rows = [[label, *(f"{speed * factor:.4g}" for speed, _ in row)]]
    for name in sorted(largest, key=lambda name: -largest[name]):
        by_name = [{s.name: s for s in budget.sources} for budget in budgets]
        cells = [
            f"{100.0 * share_of(found[name], budget.combined_sd_mm):.1f}" if name in found else DASH
            for found, budget in zip(by_name, budgets, strict=True)
        ]
        rows.append([name, *cells])
    rows.append(["combined sd", *(length_number(b.combined_sd_mm, units) for b in budgets)])
    runs = [compared.simulated.sd_mm for _, compared in row]
    rows.append(
        ["simulated sd", *(DASH if sd is None else length_number(sd, units) for sd in runs)]
    )
    rows.append(["ratio", *(_ratio(compared) for _, compared in row)])
    return table(rows)


def _ratio(compared: Compared) -> str:
    if compared.ratio is None:
        return DASH
    return f"{compared.ratio:.3f}{'!' if compared.agreement == 'differs' else ''}"


def _warnings(row: Sequence[tuple[float, Compared]], units: System) -> Iterator[str]:
    """Say at which speeds budget and run differ, and each doubt once, at its highest speed."""
    off = [(speed, compared) for speed, compared in row if compared.agreement == "differs"]
    if off:
        unknown = [speed for speed, compared in off if not compared.doubts]
        text = f"THEY DIFFER by more than 3 % at {_speeds([speed for speed, _ in off], units)}"
        if unknown:
            text += f", for no reason that is known here at {_speeds(unknown, units)}"
        yield from wrapped(f"{text}.", "  ! ")
    kinds = dict.fromkeys(doubt.kind for _, compared in row for doubt in compared.doubts)
    for kind in kinds:
        *others, (speed, words) = (
            (speed, doubt.words)
            for speed, compared in row
            for doubt in compared.doubts
            if doubt.kind == kind
        )
        if kind in _OF_RUNS:
            words = f"At {_speeds([speed], units)}: {words}"
        if others:
            words += f" The like at {_speeds([speed for speed, _ in others], units)}."
        yield from wrapped(words, "  ! ")


def _speeds(speeds: Sequence[float], units: System) -> str:
    label, factor = display_unit("speed", units)
    shown = [f"{speed * factor:.4g}" for speed in speeds]
    if len(shown) > 6:
        return f"{len(shown)} speeds from {shown[0]} to {shown[-1]} {label}"
    text = shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
    return f"{text} {label}"
