"""The error budget as tables for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from feedsim.answers.budget.study.budget import BudgetAgainstRun, BudgetPoint, Weighed
from feedsim.answers.budget.study.run import is_steady
from feedsim.answers.budget.words import closing
from feedsim.metrics.percent import DASH, percent, percent_of_all
from feedsim.quantities import Kind, System, display, display_unit, listed
from feedsim.render.layout import one_line, table, wrapped
from feedsim.render.wording import counted, length, length_number
from feedsim.render.wording import speed as speed_words
from feedsim.scenario import Scenario

_ALL = 0.999999
_OF_RUNS = frozenset({"late_engages", "stops"})  # doubts that do not name their speed


def budget_text(
    scenario: Scenario,
    points: Sequence[BudgetPoint],
    *,
    in_full_mm_s: float | None,
    units: System = "metric",
) -> str:
    """Return the budgets, rising in speed, as text, and what dominates them.

    ``in_full_mm_s``: the speed whose budget is printed in full; None: the shares at all speeds
    side by side.
    """
    run = scenario.run
    each = " at each speed, with the same random numbers" if len(points) > 1 else ""
    lines = [
        one_line(scenario.title),
        f"{counted(run.carriers, 'carrier')}{each}, seed {scenario.seed}",
    ]
    if not is_steady(scenario):
        lines += wrapped(
            "The budget is for a steady line: its speed profile, faults and adjustments are left "
            "out, in the simulation as well."
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


# -- one speed in full ---------------------------------------------------------------------


def _in_full(
    scenario: Scenario, speed_mm_s: float, compared: BudgetAgainstRun, units: System
) -> Iterator[str]:
    budget = compared.budget
    at = speed_words(speed_mm_s, units)
    yield from wrapped(f"{budget.name} at {at}: error budget of the placement")
    whole = budget.combined_sd_mm
    ranked = sorted(budget.sources, key=lambda source: -source.contribution_mm)
    heads = ("source", "distribution", "std uncertainty", "sensitivity", "contribution", "share")
    rows: list[tuple[str, ...]] = [heads]
    rows += [_line(source, units) for source in ranked]
    rows.append(("combined", "", "", "", length(whole, units), "100 %" if whole else DASH))
    simulated = compared.simulated
    sd = DASH if simulated.sd_mm is None else length(simulated.sd_mm, units)
    rows.append((f"simulated ({counted(simulated.placed, 'insert')})", "", "", "", sd, ""))
    yield from table(rows, "llr")
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


def _line(source: Weighed, units: System) -> tuple[str, ...]:
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
        percent_of_all(source.share, digits=1),
    )


def _against_run(compared: BudgetAgainstRun, units: System) -> str:
    simulated, ends = compared.simulated, compared.ratio_ci95
    if simulated.sd_mm is None:
        return (
            f"{counted(simulated.placed, 'insert was', 'inserts were')} placed in the simulation: "
            f"too few to compare with the budget."
        )
    if simulated.sd_ci95_mm is None:
        return (
            f"{counted(simulated.placed, 'insert was', 'inserts were')} placed in the "
            f"simulation: too few for an interval to compare with the budget."
        )
    if compared.ratio is None or ends is None:
        return "In the simulation the placement does not spread."
    low, high = simulated.sd_ci95_mm
    return (
        f"Simulated {length_number(low, units)} to {length(high, units)} at 95 %; combined over "
        f"simulated {compared.ratio:.3f} ({ends.low:.3f} to {ends.high:.3f}): {_verdict(compared)}."
    )


def _verdict(compared: BudgetAgainstRun) -> str:
    if compared.agreement == "differs":
        unknown = "for no known reason: try feedsim check"
        return f"THEY DIFFER by more than 3 %, {'see below' if compared.doubts else unknown}"
    if compared.agreement == "agrees":
        return "they agree within 3 %"
    return "a difference of more than 3 % is neither shown nor ruled out; run more carriers"


def _mean(compared: BudgetAgainstRun, units: System) -> Iterator[str]:
    budget, simulated = compared.budget, compared.simulated
    yield from wrapped("Mean, apart from spread (above 0: the insert lies too far back)")
    rows = [(shift.name, length(shift.mean_mm, units, sign=True)) for shift in budget.shifts]
    rows = [(name, shown) for name, shown in rows if shown != length(0.0, units)]
    rows.append(("together", length(budget.mean_mm, units, sign=True)))
    if simulated.mean_mm is not None and simulated.mean_ci95_mm is not None:
        low, high = (length_number(end, units, sign=True) for end in simulated.mean_ci95_mm)
        shown = length(simulated.mean_mm, units, sign=True)
        rows.append(("simulated", f"{shown}  ({low} to {high} at 95 %)"))
    yield from table(rows, "l")


def _elsewhere(
    row: Sequence[tuple[float, BudgetAgainstRun]], in_full_mm_s: float, units: System
) -> Iterator[str]:
    """Say how well budget and run agree at the other speeds."""
    others = [(speed, compared) for speed, compared in row if speed != in_full_mm_s]
    ratios = [compared.ratio for _, compared in others if compared.ratio is not None]
    if not ratios:
        return
    yield ""
    ends = (others[0][0], others[-1][0])
    slowest, fastest = (speed_words(speed, units) for speed in ends)
    yield from wrapped(
        f"At {counted(len(others), 'other speed')}, {slowest} to {fastest}, combined over "
        f"simulated is {min(ratios):.3f} to {max(ratios):.3f}."
    )
    yield from _warnings(others, units)


# -- many speeds side by side --------------------------------------------------------------


def _side_by_side(row: Sequence[tuple[float, BudgetAgainstRun]], units: System) -> Iterator[str]:
    unit = display_unit("length", units).label
    name = row[0][1].budget.name
    yield from wrapped(f"{name}: share of the variance (%), standard deviations ({unit})")
    yield from _shares(row, units)
    yield from _warnings(row, units)


def _shares(row: Sequence[tuple[float, BudgetAgainstRun]], units: System) -> list[str]:
    label, factor = display_unit("speed", units)
    budgets = [compared.budget for _, compared in row]
    largest: dict[str, float] = {}
    for budget in budgets:
        for s in budget.sources:
            largest[s.name] = max(largest.get(s.name, 0.0), s.share)
    rows = [[label, *(f"{speed * factor:.4g}" for speed, _ in row)]]
    for name in sorted(largest, key=lambda name: -largest[name]):
        shares = [{s.name: s.share for s in budget.sources}.get(name) for budget in budgets]
        cells = [DASH if share is None else f"{100.0 * share:.1f}" for share in shares]
        rows.append([name, *cells])
    rows.append(["combined sd", *(length_number(b.combined_sd_mm, units) for b in budgets)])
    runs = [compared.simulated.sd_mm for _, compared in row]
    rows.append(
        ["simulated sd", *(DASH if sd is None else length_number(sd, units) for sd in runs)]
    )
    rows.append(["ratio", *(_ratio(compared) for _, compared in row)])
    return table(rows)


def _ratio(compared: BudgetAgainstRun) -> str:
    if compared.ratio is None:
        return DASH
    return f"{compared.ratio:.3f}{'!' if compared.agreement == 'differs' else ''}"


def _warnings(row: Sequence[tuple[float, BudgetAgainstRun]], units: System) -> Iterator[str]:
    """Say at which speeds budget and run differ; give each doubt once, at its highest speed."""
    off = [(speed, compared) for speed, compared in row if compared.agreement == "differs"]
    if off:
        unknown = [speed for speed, compared in off if not compared.doubts]
        text = f"THEY DIFFER by more than 3 % at {_speeds([speed for speed, _ in off], units)}"
        if unknown:
            text += f", for no known reason at {_speeds(unknown, units)}"
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
            words = f"At {_speeds([speed], units)}: {words[0].lower()}{words[1:]}"
        if others:
            words += f" The same at {_speeds([speed for speed, _ in others], units)}."
        yield from wrapped(words, "  ! ")


def _speeds(speeds: Sequence[float], units: System) -> str:
    label, factor = display_unit("speed", units)
    shown = [f"{speed * factor:.4g}" for speed in speeds]
    if len(shown) > 6:
        return f"{len(shown)} speeds from {shown[0]} to {shown[-1]} {label}"
    return f"{listed(shown)} {label}"
