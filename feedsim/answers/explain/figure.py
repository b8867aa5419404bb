"""Where one carrier's placement error comes from: its parts, each from where the last one ended."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from feedsim.answers.explain.study.record import GROUPS, ErrorPart, Stories, Story
from feedsim.answers.explain.text import at_speed, part_name
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import DASHED, VERMILLION, house_style, page, true_minus
from feedsim.render.layout import one_line
from feedsim.render.waterfall import LESS, MORE, WaterfallRow, draw_waterfall
from feedsim.render.wording import counted, length, length_number, speed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_NOTHING_MM = 5e-4
_MOST_ROWS = 26
_FAR = 2.0  # times the errors; a tolerance beyond it is written, not drawn


def explain_figures(told: Stories, *, tolerance_mm: float, units: System) -> dict[str, Figure]:
    """Draw the parts of a carrier's placement error as a waterfall, a page for each feeder.

    Parts stand in the order of the text; one under half a micrometre has no row but counts in the
    sum. A feeder that placed nothing has no page.
    """
    with house_style():
        return {
            f"explain-{story.feeder}" if len(told.stories) > 1 else "explain": _figure(
                told, story, tolerance_mm=tolerance_mm, units=units
            )
            for story in told.stories
            if story.parts and story.placement_error_mm is not None
        }


def _figure(told: Stories, story: Story, *, tolerance_mm: float, units: System) -> Figure:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    unit, factor = display_unit("length", units)
    error = story.placement_error_mm or 0.0
    said = true_minus(length(error, units, sign=True))
    about = f"Carrier {story.carrier} at {one_line(story.feeder_name, 80)}, "
    about += f"{speed(told.line_speed_mm_s, units)}, seed {told.seed}: placement error {said}"
    figure = page(told.title, about, y=0.966)
    axes = figure.add_axes((0.3, 0.13, 0.44, 0.745))
    steps = list(_steps(story, units))
    last = WaterfallRow("placement error", factor * error, ("", "", _told(error, units)))
    heads = ("cost", "allowed for", f"error ({unit})")
    draw_waterfall(axes, steps, last=last, heads=heads, column=0.165)
    handles: list[Any] = [Patch(**MORE), Patch(**LESS)]
    labels = ["makes the insert late: it lies further back", "makes it early"]
    tolerance = f"tolerance ±{display(tolerance_mm, 'length', units=units)}"
    limit, (low, high) = factor * tolerance_mm, axes.get_xlim()
    if limit <= _FAR * max(-low, high):
        axes.set_xlim(min(low, -1.06 * limit), max(high, 1.06 * limit))
        look: dict[str, Any] = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.2}
        for sign in (-1.0, 1.0):
            axes.axvline(sign * limit, gid="tolerance", **look)
        handles.append(Line2D([], [], **look))
        labels.append(tolerance)
    else:
        labels[1] += f"   ({tolerance}, off the scale)"
    axes.set_xlabel(f"error so far ({unit} of belt); 0: on target")
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.045), ncols=3)
    largest = sorted(story.parts, key=lambda part: -abs(part.error_mm))[:3]
    figure.set_label(
        f"{about}. A waterfall from the target through each part to the error; the largest parts: "
        f"{', '.join(f'{p.name} {_told(p.error_mm, units)} {unit}' for p in largest)}."
    )
    return figure


def _told(value_mm: float, units: System) -> str:
    return true_minus(length_number(value_mm, units, sign=True))


def _steps(story: Story, units: System) -> Iterator[WaterfallRow]:
    """Yield a row for each part that counts, under the head of its group; the rest in one row."""
    ranked = sorted(story.parts, key=lambda part: -abs(part.error_mm))
    room = _MOST_ROWS - len(GROUPS)
    kept = {part.key for part in ranked[:room] if abs(part.error_mm) > _NOTHING_MM}
    factor = display_unit("length", units).factor
    for group, name in GROUPS.items():
        parts = [part for part in story.parts if part.group == group and part.key in kept]
        if parts:
            yield WaterfallRow(f"{name}{at_speed(story, group, units)}")
            yield from (_step(part, factor, units) for part in parts)
    rest: Sequence[ErrorPart] = [part for part in story.parts if part.key not in kept]
    together = sum(part.error_mm for part in rest)
    # and the floating-point remainder between the sum of the parts and the record
    together += (story.placement_error_mm or 0.0) - (story.sum_of_parts_mm or 0.0)
    if abs(together) > _NOTHING_MM:
        yield WaterfallRow("")
        name = counted(len(rest), "smaller part", "smaller parts")
        yield WaterfallRow(name, factor * together, ("", "", _told(together, units)))


def _step(part: ErrorPart, factor: float, units: System) -> WaterfallRow:
    numbers = tuple(_told(number, units) for number in part.numbers_mm)
    return WaterfallRow(part_name(part), factor * part.error_mm, numbers)
