"""A carrier's story as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from feedsim.answers.explain.study.record import GROUPS, ErrorPart, HazardMargin, Stories, Story
from feedsim.quantities import System, display_unit
from feedsim.render.layout import one_line, table, wrapped
from feedsim.render.wording import acceleration, hazard_name, length, length_number, number, speed

_NOTHING_MM = 5e-4
_WORDS, _REASONS = 48, 66


def stories_text(told: Stories, *, units: System = "metric") -> str:
    """Return the stories of one carrier at all feeders, below a head.

    ``units``: of the tables; sentences come with the stories, in theirs.
    """
    head = f"{one_line(told.title, 200)}\n{speed(told.line_speed_mm_s, units)}, seed {told.seed}"
    return "\n\n".join([head, *(story_text(story, units=units) for story in told.stories)])


def story_text(story: Story, *, units: System = "metric") -> str:
    """Return one story: how it ended, what happened, what made the error, the hazards."""
    outcome = story.outcome.replace("_", " ")
    ended = "PLACED" if story.outcome == "placed" else f"MISSED, {outcome}"
    lines = wrapped(f"carrier {story.carrier} at {one_line(story.feeder_name, 76)}: {ended}")
    for sentence in story.reason:
        lines += wrapped(sentence, "  ")
    unit = display_unit("length", units).label
    if story.events:
        head = "What happened, from its edge at the carrier eye; cost: belt travel during the delay"
        lines += [
            "",
            *wrapped(head, "  "),
            *table(_events(story, unit, units), "rrlrr", indent=4, widest=_WORDS),
        ]
    if story.parts:
        head = f"What made the placement error, {unit} of belt; above 0 makes the insert late"
        lines += ["", *wrapped(head, "  "), *table(_parts(story, units))]
    if story.hazards:
        head = "Hazards of its feed cycle, with their margins (0 is the limit)"
        lines += [
            "",
            *wrapped(head, "  "),
            *table(_hazards(story.hazards, units), "lrl", indent=4, widest=_REASONS),
        ]
    return "\n".join(lines)


_Row = Iterator[tuple[str | None, ...]]


def _events(story: Story, unit: str, units: System) -> _Row:
    yield "ms", unit, "", "delay, ms", f"cost, {unit}"
    for event in story.events:
        ms = 1e3 * (event.time_s - story.eye_time_s)
        yield (
            number(ms, 2),
            length_number(event.belt_mm - story.leading_edge_mm, units),
            event.words,
            "" if event.delay_s is None else number(1e3 * event.delay_s, 3),
            "" if event.cost_mm is None else length_number(event.cost_mm, units, sign=True),
        )


def _parts(story: Story, units: System) -> _Row:
    yield "", "cost", "allowed for", "error", "together"
    for group, name in GROUPS.items():
        parts = [part for part in story.parts if part.group == group]
        shown = [part for part in parts if _matters(part)]
        if shown:
            together = length_number(sum(part.error_mm for part in parts), units, sign=True)
            yield f"  {name}{at_speed(story, group, units)}", None, None, None, together
            yield from (_part(part, units) for part in shown)
    for name, value in (
        ("sum of the parts", story.sum_of_parts_mm),
        ("placement error in carriers.csv", story.placement_error_mm),
    ):
        said = "" if value is None else length_number(value, units, sign=True)
        yield f"  {name}", None, None, None, said


def at_speed(story: Story, group: str, units: System) -> str:
    """Name the belt speed at which the delays of a group count, if there is one."""
    at = {"mark": story.engage_speed_mm_s, "stage": story.opening_speed_mm_s}.get(group)
    return "" if at is None else f", at {speed(at, units)}"


def _matters(part: ErrorPart) -> bool:
    return max(map(abs, part.numbers_mm)) > _NOTHING_MM


def part_name(part: ErrorPart) -> str:
    """Return a part's name, with its delay if it is one."""
    return part.name + ("" if part.delay_s is None else f", {number(1e3 * part.delay_s, 3)} ms")


def _part(part: ErrorPart, units: System) -> tuple[str, ...]:
    shown = (length_number(cost, units, sign=True) for cost in part.numbers_mm)
    return (f"    {part_name(part)}", *shown)


def _hazards(hazards: Sequence[HazardMargin], units: System) -> _Row:
    for hazard in hazards:
        words = f"SEEN: {hazard.words}" if hazard.seen else hazard.words
        yield hazard_name(hazard.hazard), _margin(hazard, units), words


def _margin(hazard: HazardMargin, units: System) -> str:
    if hazard.margin is None or hazard.margin_unit == "mm":
        return length(hazard.margin, units)
    if hazard.margin_unit == "%":
        return f"{hazard.margin:.2f} %"
    return acceleration(hazard.margin, units)
