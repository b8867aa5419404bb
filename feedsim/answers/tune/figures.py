"""The figures of a tune: the setup and what it buys, its windows, its fronts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from feedsim.answers.tune.fronts_figure import fronts_figure
from feedsim.answers.tune.setup_figure import setup_figure
from feedsim.answers.tune.study.after import Tuning
from feedsim.answers.tune.windows_figure import windows_figure
from feedsim.quantities import System
from feedsim.render.canvas import house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def tune_figures(found: Tuning, *, units: System = "metric") -> dict[str, Figure]:
    """Draw a tune; nothing where no setup is accepted.

    Returns
    -------
    dict of str to Figure
        By file name without ending: ``tune`` (values, windows and worths), ``windows`` (each knob
        turned) and ``fronts``.
    """
    if not found.windows:
        return {}
    with house_style():
        figures = {"tune": setup_figure(found, units)}
        if any(window.values for window in found.windows):
            figures["windows"] = windows_figure(found, units)
        if found.fronts:
            figures["fronts"] = fronts_figure(found, units)
    return figures
