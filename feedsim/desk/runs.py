"""A run of a line: the figures of ``feedsim run``, and the data that the page draws."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from feedsim.answers.line import Line
from feedsim.answers.run.answer import Run
from feedsim.answers.run.overview.shown import Shown, bins, shown_of
from feedsim.answers.run.summary import complete_words, decision, figure_rows, hazard_rows
from feedsim.answers.run.tables import kept_of
from feedsim.compiled.choice import why_not
from feedsim.criteria import Criteria
from feedsim.desk.lines import plain_words
from feedsim.desk.told import speed
from feedsim.machine import Machine
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.intervals import Interval
from feedsim.metrics.percent import percent
from feedsim.metrics.results import Results
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System
from feedsim.records.outcome import Outcome
from feedsim.render.wording import within
from feedsim.running.run import ScenarioRun, criteria_of, run_scenario

ROUNDS = (5_000, 20_000, 100_000, 400_000)
_ROUNDS_OF_EVENTS = (2_000, 5_000, 20_000)
_FEW, _MOST_MISSES = 3, 20


def rounds(machine: Machine) -> tuple[int, ...]:
    """Return how many carriers to run first, and how many once no knob moves.

    A line that something may stop runs on the event engine, some thirty times as slowly.
    """
    return _ROUNDS_OF_EVENTS if why_not(machine) else ROUNDS


def ran(line: Line, *, progress: Callable[[int], None]) -> Run:
    """Run a line; `progress` is called with the number of carriers done."""
    done = run_scenario(line.scenario, progress=progress)
    return Run(line, done, kept=kept_of(None, done.results))


def run_told(answer: Run, units: System) -> dict[str, object]:
    """Return the data of a run that the page shows."""
    run, results = answer.ran, answer.results
    criteria = criteria_of(run.scenario)
    head, reasons = decision(results)
    complete = results.complete
    return {
        "carriers": results.carriers,
        "seed": results.seed,
        "line_speed": speed(results.line_speed_mm_s, units),
        "verdict": {
            "state": _state(results),
            "accepted": results.accepted,
            "decided": results.decided,
            "refused": results.refused,
            "words": head,
            "reasons": [plain_words(words) for words in reasons],
        },
        "more": max((row.carriers or 0 for row in results.to_decide), default=0) or None,
        "complete": {
            "count": complete.count,
            "per_hour": complete.per_hour,
            "words": complete_words(complete),
        },
        "feeders": [
            _feeder(run, number, criteria, units) for number in range(len(results.feeders))
        ],
        "text": answer.text(units=units),
    }


def _state(results: Results) -> str:
    sure = results.sureness
    return "undecided" if sure is Sureness.OPEN else sure.value


def _feeder(run: ScenarioRun, number: int, criteria: Criteria, units: System) -> dict[str, object]:
    feeder = run.results.feeders[number]
    shown = shown_of(feeder, number, run.records, run.machine, criteria=criteria, units=units)
    heads, *hazards = hazard_rows(feeder, criteria, units)
    return {
        "name": feeder.name,
        "rows": [list(row) for row in figure_rows(feeder, criteria, units)],
        "hazard_heads": list(heads),
        "hazards": [
            {
                "name": name.replace("_", " "),
                "text": list(row),
                "seen": hazard.count,
                "margin_mean": hazard.margin_mean,
                "margin_sd": hazard.margin_sd,
                "margin_unit": hazard.margin_unit,
                "tail": hazard.tail_probability,
                "state": row[-1],
            }
            for (name, hazard), row in zip(feeder.hazards.by_name.items(), hazards, strict=True)
        ],
        "histogram": _histogram(shown),
        "missed": _missed(run, number),
        "figures": _figures(feeder, criteria),
    }


def _histogram(shown: Shown) -> dict[str, object]:
    """Return the errors in bins, in the unit of display, with some carriers of each."""
    edges = bins(shown)
    place = np.digitize(shown.errors, edges) - 1
    place[shown.errors == edges[-1]] = len(edges) - 2  # the last bin has both its ends
    inside = (place >= 0) & (place < len(edges) - 1)
    counts = np.bincount(place[inside], minlength=len(edges) - 1)
    order = np.argsort(place, kind="stable")
    sorted_place = place[order]
    starts = np.searchsorted(sorted_place, np.arange(len(counts)))
    chosen = [order[begin : begin + min(_FEW, n)] for begin, n in zip(starts, counts, strict=True)]
    flat = np.sort(np.concatenate(chosen)) if chosen else np.empty(0, np.intp)
    numbers = dict(zip(flat.tolist(), shown.carriers(flat).tolist(), strict=True))
    error = shown.figures.placement_error
    factor = shown.factor
    return {
        "unit": shown.unit,
        "per_mm": factor,
        "tolerance": shown.tolerance,
        "tolerance_text": shown.tolerance_text,
        "edges": edges.tolist(),
        "counts": counts.tolist(),
        "below": int(np.count_nonzero(place < 0)),
        "above": int(np.count_nonzero(place >= len(edges) - 1)),
        "placed": error.n,
        "mean": None if error.mean_mm is None else error.mean_mm * factor,
        "sd": None if error.sd_mm is None else error.sd_mm * factor,
        "carriers": [[numbers[row] for row in some.tolist()] for some in chosen],
    }


def _missed(run: ScenarioRun, number: int) -> dict[str, object]:
    missed, records = run.results.feeders[number].missed, run.records
    outcomes = records.feeders[number].outcome[records.warm_up :]
    first = np.flatnonzero(outcomes != Outcome.PLACED)[:_MOST_MISSES] + records.warm_up
    return {
        "count": missed.count,
        "of": run.results.carriers,
        "causes": [
            {"cause": cause, "name": cause.replace("_", " "), "count": count}
            for cause, count in missed.by_cause.by_name.items()
            if count
        ],
        "carriers": first.tolist(),
    }


def _figures(feeder: FeederResults, criteria: Criteria) -> list[dict[str, object]]:
    """Return each acceptance figure with its interval and its limit."""
    error, missed, risk = feeder.placement_error, feeder.missed, feeder.jam_risk
    placed = AgainstLimit(
        error.within_tolerance,
        error.within_tolerance_ci95,
        criteria.within_tolerance,
        at_least=True,
        effective_n=error.within_tolerance_effective_n,
    )
    rows: list[tuple[str, AgainstLimit, float | None]] = [("within_tolerance", placed, None)]
    for name, share, most in (
        ("missed", missed, criteria.missed),
        ("jam_risk", risk, criteria.jam_risk),
    ):
        limit = AgainstLimit(
            share.share, share.ci95, most, at_least=False, effective_n=share.effective_n
        )
        rows.append((name, limit, share.upper95))
    return [
        {
            "figure": name,
            "share": one.share,
            **_ends(one.ci95),
            "limit": one.limit,
            "at_least": one.at_least,
            "text": within(one.share, one.ci95, upper, unlike=one.limit),
            "limit_text": percent(one.limit),
            "met": None if one.share is None else not one.failed(),
            "decided": one.decided(),
        }
        for name, one, upper in rows
    ]


def _ends(interval: Interval | None) -> dict[str, object]:
    return {"low": interval and interval.low, "high": interval and interval.high}
