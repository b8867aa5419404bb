"""The highest accepted speed in words: in closed form, simulated, and whether they agree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from feedsim.answers.limit.islands import stretch_words
from feedsim.answers.limit.study.closed import FeederLimit, RefusedSpeeds, not_counted
from feedsim.answers.limit.study.search import LOOKS
from feedsim.answers.limit.study.simulated import FeederSeen, FoundLimits, SimulatedLimit, SpeedSeen
from feedsim.answers.run.deciding import FAR, SOONER, round_up
from feedsim.answers.tune.pointer import tune_words
from feedsim.criteria import Figure
from feedsim.metrics.intervals import upper95
from feedsim.metrics.percent import percent, percent_range
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System, first_of, whole
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import agrees, counted, hazard_name, seldom, speed
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.limits import TOGETHER

_FEW = 4
_ALL_BUT_ONE, _SOONER = 1.005, 0.999
_TO_SPARE = 2.0  # one hit more than were seen takes about half as many carriers again

FIGURES: Mapping[Figure, str] = {
    "within_tolerance": "in tolerance",
    "missed": "missed",
    "jam_risk": "jam risk",
}
"""The acceptance figures in words."""

_TOO_MUCH: Mapping[Figure, str] = {
    "within_tolerance": "Too many inserts are out of tolerance",
    "missed": "Too many carriers are missed",
    "jam_risk": "The jam risk is too high",
}


def limit_text(found: FoundLimits, *, units: System) -> str:
    """Return the two answers and their comparison."""
    lines = [
        found.title,
        "",
        "In closed form: the speed from which each mechanism alone is too much",
        *_closed(found, units),
        "",
        *wrapped(binding_words(found.closed_form, units=units)),
        *_notes(found, units),
        *_tune(found, units),
        "",
        *_simulated(found.simulated, units),
        "",
        *wrapped(_comparison(found, units)),
    ]
    return "\n".join(lines)


def _notes(found: FoundLimits, units: System) -> Iterator[str]:
    window = found.closed_form_window_mm_s
    if not window:
        words = refused_words(
            found.closed_form_refused,
            looked_to=found.closed_form_complete_to_mm_s,
            units=units,
        )
        yield from wrapped(words)
    if window:
        low, high = (speed(end, units) for end in window)
        yield from wrapped(
            f"All together accept the line from {low} to {high} only: its settings are right at "
            f"one speed. The search goes no slower than that."
        )
    yield from not_counted(found.scenario)


def _tune(found: FoundLimits, units: System) -> list[str]:
    """Say what could be chosen better at the limit, if anything could."""
    at = None if found.closed_form_window_mm_s else found.closed_form_speed_mm_s
    return wrapped(tune_words(found.scenario, at, units=units))


def _closed(found: FoundLimits, units: System) -> Iterator[str]:
    rows, accept = found.closed_form, found.scenario.acceptance
    several = len({row.feeder for row in rows}) > 1
    limits = {
        "within_tolerance": f"at least {percent(accept.within_tolerance)}",
        "missed": f"at most {percent(accept.missed)}",
        "jam_risk": f"at most {percent(accept.jam_risk)}",
    }
    table_rows = []
    for row in rows:
        name = row.mechanism.upper() if row.mechanism == TOGETHER else row.mechanism
        told = f"{row.feeder}: {name}" if several else name
        at = speed(row.speed_mm_s, units) if row.speed_mm_s else "a crawl"
        table_rows.append((at, told, f"{FIGURES[row.figure]} {limits[row.figure]}"))
    yield from table(table_rows, "rl")
    if not rows:
        yield f"  none, up to {speed(FASTEST_MM_S, units)}"


def binding_words(rows: Sequence[FeederLimit], *, units: System = "metric") -> str:
    """Say which mechanism binds first, and which would be next.

    Where several together are too much at a lower speed than any alone, that comes first.
    """
    several = len({row.feeder for row in rows}) > 1

    def named(row: FeederLimit, name: str = "") -> str:
        name = name or row.mechanism
        return f"{name} at {row.feeder}" if several else name

    alone = [row for row in rows if row.mechanism != TOGETHER]
    first, others = (alone[0] if alone else None), alone[1:]
    sooner = next((row for row in rows if row.mechanism == TOGETHER), None)
    if first and sooner and sooner.speed_mm_s >= _SOONER * first.speed_mm_s:
        sooner = None
    fastest = f"up to {speed(FASTEST_MM_S, units)}"
    if sooner:
        at = f"from {speed(sooner.speed_mm_s, units)} on" if sooner.speed_mm_s else "at any speed"
        said = (
            f"{_TOO_MUCH[sooner.figure]} {at}, by several mechanisms together: most "
            f"({percent(sooner.mostly_share)}) by {named(sooner, sooner.mostly)}. No mechanism "
            f"alone is too much "
        )
        if not first:
            return f"{said}{fastest}."
        said += f"before {named(first)}"
    elif not first:
        return f"Nothing limits it {fastest}."
    else:
        name = named(first)[0].upper() + named(first)[1:]
        if not first.speed_mm_s:
            return f"{name} alone {agrees(first.mechanism, 'is', 'are')} too much even at a crawl."
        said = f"{name} {agrees(first.mechanism, 'binds', 'bind')} first"
    said += f", at {speed(first.speed_mm_s, units)}"
    if others:
        said += f"; {named(others[0])} would be next, at {speed(others[0].speed_mm_s, units)}"
    return f"{said}."


def refused_words(
    refused: Sequence[RefusedSpeeds],
    *,
    looked_to: float | None,
    units: System = "metric",
) -> str:
    """Say where the closed forms refuse a stretch of speeds and accept faster ones.

    Empty where all above the first refused speed is refused, but for half a per cent, and stretches
    below it were searched for finely: to ``looked_to`` (mm/s); None: as far as was searched.
    """
    if looked_to is not None and refused and looked_to <= refused[0].from_mm_s:
        at = speed(looked_to, units)
        return (
            f"Above {at} the shares come near what is allowed at more speeds than were examined: "
            f"where ticks lock or counts are rounded, a narrow stretch below the limit may be "
            f"refused as well."
        )
    apart = [row for row in refused if row.to_mm_s is not None]
    if not apart or refused[-1].from_mm_s < _ALL_BUT_ONE * refused[0].from_mm_s:
        return ""
    many = "a stretch" if len(apart) == 1 else f"{len(apart)} stretches"
    text = (
        "Above that, acceptance comes and goes with speed, as ticks lock and counts are rounded: "
        f"{many} of speeds refused {stretch_words(apart, units=units)}. What is accepted between "
        f"them is not a speed to set."
    )
    if looked_to is not None:
        at = speed(looked_to, units)
        text += f" Narrow ones were searched for up to {at}; more may lie above."
    return text


def _simulated(sim: SimulatedLimit, units: System) -> Iterator[str]:
    low, high = sim.accepted_speed_mm_s, sim.refused_speed_mm_s
    slowest, fastest = (speed(sim.seen[end].line_speed_mm_s, units) for end in (0, -1))
    if low is not None and high is not None:
        yield from wrapped(
            f"Simulated: the limit lies between {speed(low, units)}, accepted, and "
            f"{speed(high, units)}, refused (each at 95 %)."
        )
    elif low is not None:
        yield from wrapped(
            f"Simulated, up to {fastest}: accepted for sure at {speed(low, units)}, refused for "
            f"sure nowhere."
        )
    elif high is not None:
        yield from wrapped(
            f"Simulated, down to {slowest}: refused for sure at {speed(high, units)}; no slower "
            f"speed is accepted for sure."
        )
    else:
        yield from wrapped(
            f"Simulated, {slowest} to {fastest}: no speed is accepted or refused for sure."
        )
    yield from _indented(_looked_at(sim, units))
    if high is not None:
        yield from _indented(_reasons(sim.at(high), units))
    if low is None and sim.seen[0].sureness is not Sureness.REFUSED:
        yield from _indented(_open_figures(sim, units))
    carriers = f"{counted(sim.carriers, 'carrier')} at {counted(len(sim.seen), 'speed')}"
    yield from _indented([f"{carriers}{', the most allowed' if sim.ran_out else ''}"])


def _indented(told: Iterable[str]) -> Iterator[str]:
    for words in told:
        yield from wrapped(words, "  ", "    ")


def _looked_at(sim: SimulatedLimit, units: System) -> Iterator[str]:
    """Say which speeds an answer rests on, and name the islands above it."""
    accepted, islands = sim.accepted_speeds_mm_s, sim.islands_mm_s
    if len(accepted) > 1:
        yield (
            f"Accepted at all {len(accepted)} speeds tried from {speed(accepted[0], units)} "
            f"to {speed(accepted[-1], units)}, each the worst near it by the closed forms"
        )
    left, high = sim.not_looked_at_mm_s, sim.refused_speed_mm_s
    if islands:
        shown = first_of([speed(mm_s, units) for mm_s in islands], _FEW)
        speeds = "not a speed" if len(islands) == 1 else "not speeds"
        but = (
            f"not at {speed(high or 0.0, units)}"
            if left is None
            else f"but no carriers were left for {speed(left, units)}, refused in closed form"
        )
        yield f"Accepted at {shown}, {but}: {speeds} to set"


def _open_figures(sim: SimulatedLimit, units: System) -> Iterator[str]:
    """Say what was not shown at the slowest speed, and how many carriers would show it."""
    point, most = sim.seen[0], 0.0
    for feeder in point.feeders:
        for figure, words in FIGURES.items():
            share = feeder.shares[figure]
            if share.share is None or share.decided:
                continue
            needed = share.trials_to_tell
            most = max(most, needed or 0.0)
            none = figure != "within_tolerance" and share.share == 0.0
            shown = seldom(share.share, None, upper95(feeder.carriers) if none else None)
            takes = f"about {whole(round_up(needed))} would" if needed else "no number would"
            yield (
                f"At {speed(point.line_speed_mm_s, units)} {counted(feeder.carriers, 'carrier')} "
                f"do not separate {shown} {words} from {percent(share.limit)} at "
                f"{feeder.name}; {takes}"
            )
    if most > FAR:
        yield f"{SOONER[0].upper()}{SOONER[1:]}"
    elif most:
        each, in_all = (round_up(_TO_SPARE * most * by) for by in (1 / LOOKS[-1], len(sim.seen)))
        yield f"To decide it, with some to spare: --carriers {each} --at-most {in_all}"


def _reasons(point: SpeedSeen, units: System) -> Iterator[str]:
    """Say which figures are not met for sure at a speed, and why."""
    for feeder in point.feeders:
        prefix = f"{feeder.name}: " if len(point.feeders) > 1 else ""
        at = f"At {speed(point.line_speed_mm_s, units)} {prefix}"
        if not feeder.placed:
            yield f"{at}no insert was placed"
        for figure, words in FIGURES.items():
            share = feeder.shares[figure]
            if share.share is None or share.met or not share.decided:
                continue
            tolerance = figure == "within_tolerance"
            allowed = "at least {} must be" if tolerance else "at most {} may be"
            yield (
                f"{at}{percent(share.share)} {words} ({percent_range(share.interval)}), "
                f"{allowed.format(percent(share.limit))}{_most_often(feeder, figure)}"
            )


def _most_often(feeder: FeederSeen, figure: Figure) -> str:
    counts = {"missed": feeder.missed_by_cause, "jam_risk": feeder.hazards}.get(figure, {})
    ranked = sorted(counts.items(), key=lambda item: -item[1])
    shown = [f"{whole(count)} × {hazard_name(name)}" for name, count in ranked[:2] if count]
    return f": {', '.join(shown)}" if shown else ""


def _comparison(found: FoundLimits, units: System) -> str:
    closed, sim = found.closed_form_speed_mm_s, found.simulated
    low, high = sim.accepted_speed_mm_s, sim.refused_speed_mm_s
    if found.agree and low is None:
        return "The two agree: no speed tried is accepted."
    if found.agree:
        return "The two agree: all mechanisms together have their limit within that range."
    if found.agree is None:
        return "Too little is known for sure to compare the two."
    said = "no limit" if closed is None else speed(closed, units)
    if high is not None and (closed is None or closed > high):
        return (
            f"THE TWO DISAGREE: in closed form {said}, but the simulation refuses "
            f"{speed(high, units)}. Something stops this line that the closed forms do not count: "
            f"see that speed above, and feedsim check."
        )
    return (
        f"THE TWO DISAGREE: in closed form {said}, but the simulation accepts "
        f"{speed(low or 0.0, units)}. {_looked_instead(found, low or 0.0, units)}"
    )


def _looked_instead(found: FoundLimits, low: float, units: System) -> str:
    """Say at which of the speeds that the closed forms refuse the simulation looked."""
    refused = [row for row in found.closed_form_refused if row.from_mm_s < low]
    there = [
        speed
        for speed in (seen.line_speed_mm_s for seen in found.simulated.seen)
        if speed <= low
        and any(r.from_mm_s <= speed <= (r.to_mm_s or FASTEST_MM_S) for r in refused)
    ]
    stretches = counted(len(refused), "stretch", "stretches") + " of speeds below that"
    if not there:
        return f"It looked at none of the {stretches} that the closed forms refuse."
    shown = first_of([speed(mm_s, units) for mm_s in there], _FEW)
    return (
        f"Of {stretches} that the closed forms refuse, it looked at {shown} and accepts "
        f"there: something costs less than the closed forms say."
    )
