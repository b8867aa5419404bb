"""The product figure: where the inserts lie on their carrier, and what is wrong with products."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from feedsim.answers.run.product.carrier import draw_carrier
from feedsim.machine import Machine
from feedsim.metrics.percent import percent, percent_range
from feedsim.metrics.results import Results
from feedsim.metrics.share import Share
from feedsim.quantities import System, display, whole
from feedsim.render.canvas import BLACK, GREY, SKY, house_style, page
from feedsim.render.layout import one_line
from feedsim.render.wording import seldom

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def product_figure(results: Results, machine: Machine, *, units: System = "metric") -> Figure:
    """Draw the carrier with its inserts from the side, and the shares of what is wrong.

    Above: each insert at its mean position, in the order of laying from below, with three standard
    deviations at either end, its target, and the overlaps and clearances of
    :attr:`feedsim.metrics.products.Products.overlaps` as dimensions. Below: a bar with its 95 %
    interval for everything that may be wrong with a product.
    """
    with house_style():
        figure = page(results.title, _subtitle(results, units))
        names = ", ".join(one_line(feeder.name, 80) for feeder in results.feeders)
        figure.set_label(
            f"{_subtitle(results, units)}. The carrier from the side with its inserts as they lie "
            f"on average, from below: {names}; and the shares of products with each fault."
        )
        grid = figure.add_gridspec(
            2, 1, left=0.17, right=0.84, bottom=0.085, top=0.86, hspace=0.3, height_ratios=(3, 2)
        )
        upper, lower = (figure.add_subplot(grid[row]) for row in (0, 1))
        draw_carrier(upper, results, machine, units=units)
        _draw_shares(lower, list(_wrong(results)))
    return figure


def _subtitle(results: Results, units: System) -> str:
    products = results.products
    speed = display(results.line_speed_mm_s, "speed", units=units)
    text = f"Products at {speed}: {products.good.count} of {results.carriers} good"
    if products.good.ci95 is not None:
        text += f", {percent(products.good.share, products.good.ci95)}"
        text += f" ({percent_range(products.good.ci95)})"
    if products.good_per_hour is not None:
        text += f", {whole(products.good_per_hour)} per hour"
    return text


# -- what is wrong -------------------------------------------------------------------


def _wrong(results: Results) -> Iterator[tuple[str, Share]]:
    products = results.products
    yield "partial", products.partial
    yield "empty", products.empty
    yield "doubled", products.doubled
    yield "out of tolerance", products.out_of_tolerance
    yield "wrong overlap", products.wrong_overlap
    if products.diverted is not None:
        yield "bad, diverted", products.diverted.bad_diverted
        yield "bad, passed", products.diverted.bad_passed
        yield "good, diverted", products.diverted.good_diverted


def _ends(share: Share) -> tuple[float, float]:
    """Return the ends of what is drawn (%): of the interval, or up to the bound if none is seen."""
    if share.upper95 is not None:
        return 0.0, 100.0 * share.upper95
    if share.ci95 is None:
        value = 100.0 * (share.share or 0.0)
        return value, value
    return 100.0 * share.ci95.low, 100.0 * share.ci95.high


def _draw_shares(axes: Axes, shares: Sequence[tuple[str, Share]]) -> None:
    for place, (name, share) in enumerate(shares):
        value = 100.0 * (share.share or 0.0)
        low, high = _ends(share)
        gate = "," in name
        axes.barh(
            place, value, height=0.6, color=GREY if gate else SKY, edgecolor=BLACK, lw=0.6,
            gid=f"share-{name}",
        )  # fmt: skip
        axes.errorbar(
            value, place, xerr=[[value - low], [high - value]], color=BLACK, lw=1.0, capsize=2.5
        )
        text = seldom(share.share, share.ci95, share.upper95)
        if share.count:
            text = f"{share.count}: {text}"
        axes.annotate(
            text, (high, place), (5.0, 0.0), textcoords="offset points", va="center", fontsize=8.5
        )
    axes.set_yticks(range(len(shares)), [name for name, _ in shares])
    axes.invert_yaxis()
    highest = max(_ends(share)[1] for _, share in shares)
    axes.set_xlim(0.0, 1.15 * highest or 1.0)
    axes.set_xlabel("share of products (%), with 95 % intervals")
