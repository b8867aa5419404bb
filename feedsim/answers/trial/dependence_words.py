"""Whether the cards of a trial are independent, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.trial.study.dependence import Dependence
from feedsim.answers.trial.study.fit import FeederFit
from feedsim.render.layout import wrapped

__all__ = ["dependence_words"]


def dependence_words(feeder: FeederFit) -> Iterator[str]:
    """Say what intervals take of neighbours, and what tests in the order of the rows tell."""
    for name, fitted in (
        ("Placement errors", feeder.found.placement_fit),
        ("Stage positions", feeder.found.stage_fit),
    ):
        if fitted is None or fitted.spread is None:
            continue
        dependence = fitted.dependence
        if dependence is None:
            yield from wrapped(
                f"{name} are taken as independent of the card before; there are too few cards in "
                "a row at each speed to test it."
            )
        else:
            yield from wrapped(_sentence(name, dependence))


def _sentence(name: str, dependence: Dependence) -> str:
    lag, runs = dependence.lag_one, dependence.runs
    told = f"lag 1 {lag.correlation:+.2f}, p {_chance(lag.chance)}"
    if runs is not None:
        told += f"; {runs.seen} runs, {runs.expected:.0f} expected, p {_chance(runs.chance)}"
    process = dependence.process
    if process == 0.0:
        return f"{name} are taken as independent of the card before, as the rows have it ({told})."
    word = "ARE NOT" if dependence.sure else "may not be"
    return (
        f"{name} {word} independent of the card before ({told}, in the order of the rows). "
        f"Intervals are those of a first-order autoregression by {process:+.2f}"
        + (
            ", so wider; look for what lasts from card to card."
            if process > 0.0
            else "; those of means are no narrower for it."
        )
    )


def _chance(probability: float) -> str:
    return "under 0.001" if probability < 1e-3 else f"= {probability:.2g}"
