"""A carrier's story as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from feedsim.answers.explain.study.record import GROUPS, Happening, HazardMargin, Part, Story
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import one_line
from feedsim.render.wording import DASH, length_number

__all__ = ["stories_text", "story_text"]

_WIDTH = 92
_NOTHING_MM = 5e-4
_NAME, _CELL, _WORDS = 44, 12, 48


def stories_text(
    stories: Sequence[Story],
    *,
    title: str,
    line_speed_mm_s: float,
    seed: int,
    units: System = "metric",
) -> str:
    """Return the stories of one carrier at all feeders, below a head.

    Parameters
    ----------
    stories : sequence of Story
    title, line_speed_mm_s, seed
        Of the run.
    units : {"metric", "inch"}
        Units of the numbers; those in words come with the stories.
    """
    speed = display(line_speed_mm_s, "speed", units=units)
    head = f"{one_line(title, 200)}\n{speed}, seed {seed}"
    return "\n\n".join([head, *(story_text(story, units=units) for story in stories)])


def story_text(story: Story, *, units: System = "metric") -> str:
    """Return one story: how it ended, what happened, what made the error, the hazards."""
    outcome = story.outcome.replace("_", " ")
    ended = "PLACED" if story.outcome == "placed" else f"MISSED, {outcome}"
    lines = [f"carrier {story.carrier} at {one_line(story.feeder_name, 76)}: {ended}"]
    for sentence in story.reason:
        lines += textwrap.wrap(sentence, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    if story.events:
        lines += ["", *_events(story, units)]
    if story.parts:
        lines += ["", *_parts(story, units)]
    if story.hazards:
        lines += ["", *_hazards(story.hazards, units)]
    return "\n".join(lines)


# -- what happened -------------------------------------------------------------------


def _events(story: Story, units: System) -> Iterator[str]:
    unit = display_unit("length", units).label
    yield "  What happened, from its edge at the carrier eye; cost: belt travel during the delay"
    yield f"  {'ms':>9}{unit:>11}  {'':<{_WORDS}}{'delay, ms':>10}{f'cost, {unit}':>10}"
    for event in story.events:
        yield from _event(event, story, units)


def _event(event: Happening, story: Story, units: System) -> Iterator[str]:
    ms = 1e3 * (event.time_s - story.eye_time_s)
    belt = length_number(event.belt_mm - story.leading_edge_mm, units)
    delay = "" if event.delay_s is None else _number(1e3 * event.delay_s, 3)
    cost = "" if event.cost_mm is None else length_number(event.cost_mm, units, sign=True)
    first, *more = textwrap.wrap(event.words, _WORDS)
    yield f"  {_number(ms, 2):>9}{belt:>11}  {first:<{_WORDS}}{delay:>10}{cost:>10}".rstrip()
    for line in more:
        yield f"  {'':>9}{'':>11}    {line}"


def _number(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text if float(text) else text.lstrip("-")


# -- what made the error -------------------------------------------------------------


def _parts(story: Story, units: System) -> Iterator[str]:
    unit = display_unit("length", units).label
    yield f"  What made the placement error, {unit} of belt; above 0 makes the insert late"
    yield _row("", "cost", "allowed for", "error", "together")
    for group, name in GROUPS.items():
        parts = [part for part in story.parts if part.group == group]
        shown = [part for part in parts if _matters(part)]
        if shown:
            head = f"  {name}{_at_speed(story, group, units)}"
            together = length_number(sum(part.error_mm for part in parts), units, sign=True)
            yield f"  {head:<{_NAME + 3 * _CELL}}{together:>{_CELL}}"
            yield from (_part(part, units) for part in shown)
    for name, value in (
        ("sum of the parts", story.sum_of_parts_mm),
        ("placement error in carriers.csv", story.placement_error_mm),
    ):
        shown_value = "" if value is None else length_number(value, units, sign=True)
        yield _row(f"  {name}", "", "", "", shown_value)


def _at_speed(story: Story, group: str, units: System) -> str:
    speed = {"mark": story.engage_speed_mm_s, "stage": story.opening_speed_mm_s}.get(group)
    return "" if speed is None else f", at {display(speed, 'speed', units=units)}"


def _matters(part: Part) -> bool:
    return max(abs(part.cost_mm), abs(part.allowed_mm), abs(part.error_mm)) > _NOTHING_MM


def _part(part: Part, units: System) -> str:
    name = part.name
    if part.delay_s is not None:
        name += f", {_number(1e3 * part.delay_s, 3)} ms"
    numbers = (part.cost_mm, part.allowed_mm, part.error_mm)
    return _row(f"    {name}", *(length_number(number, units, sign=True) for number in numbers))


def _row(name: str, *cells: str) -> str:
    return f"  {name:<{_NAME}}{''.join(f'{cell:>{_CELL}}' for cell in cells)}".rstrip()


# -- hazards -------------------------------------------------------------------------


def _hazards(hazards: Sequence[HazardMargin], units: System) -> Iterator[str]:
    yield "  Hazards of its feed cycle, with their margins (0 is the limit)"
    for hazard in hazards:
        name = hazard.hazard.replace("_", " ")
        words = f"SEEN: {hazard.words}" if hazard.seen else hazard.words
        head = f"    {name:<15}{_margin(hazard, units):>11}  "
        yield from textwrap.wrap(
            words, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head)
        )


def _margin(hazard: HazardMargin, units: System) -> str:
    if hazard.margin is None:
        return DASH
    if hazard.margin_unit == "mm":
        return f"{length_number(hazard.margin, units)} {display_unit('length', units).label}"
    if hazard.margin_unit == "%":
        return f"{hazard.margin:.2f} %"
    return display(hazard.margin, "acceleration", units=units)
