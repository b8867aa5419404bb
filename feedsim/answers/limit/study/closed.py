"""What the closed forms say of a whole line: limits, refused speeds, and where to look."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from feedsim.criteria import Figure
from feedsim.garbage import nothing_collected
from feedsim.metrics.plain import LEFT_OUT
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario, machine_from
from feedsim.settings.cells import FASTEST_MM_S, worst_between
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.jumps_of_auto import At
from feedsim.settings.limits import (
    TOGETHER,
    Closed,
    Refused,
    SpeedLimit,
    closed_form,
    refused_between,
    window,
)
from feedsim.settings.shares_by_speed import Excess, SharesBySpeed
from feedsim.settings.solve import solved, with_chosen_motor


@dataclass(frozen=True, slots=True)
class FeederLimit:
    """Up to which line speed one mechanism alone leaves one feeder acceptable.

    ``feeder``: its name. The others as in :class:`feedsim.settings.limits.SpeedLimit`.
    """

    feeder: str
    mechanism: str
    figure: Figure
    speed_mm_s: float
    mostly: str = field(default="", metadata=LEFT_OUT)
    mostly_share: float = field(default=0.0, metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class RefusedSpeeds:
    """A stretch of line speeds that the closed forms refuse.

    Attributes
    ----------
    from_mm_s, to_mm_s : float
        Its ends; the last is None where it goes on to the end of the search.
    worst_mm_s, figure, share
        As in :class:`feedsim.settings.limits.Refused`.
    """

    from_mm_s: float
    to_mm_s: float | None
    worst_mm_s: float
    figure: Figure
    share: float


@dataclass(frozen=True, slots=True)
class InClosedForm:
    """What the closed forms say of a line.

    Attributes
    ----------
    window : (float, float) or None
        The speeds (mm/s) between which they accept the line, where they do not accept all slower.
    """

    feeders: tuple[Closed, ...]
    window: tuple[float, float] | None

    @property
    def lowest_mm_s(self) -> float | None:
        """The speed from which all mechanisms together are too much at some feeder."""
        return lowest_together([feeder.limits for feeder in self.feeders])

    @property
    def limit_mm_s(self) -> float | None:
        """Up to which speed they accept the line: the upper end of the window if there is one."""
        return self.window[1] if self.window else self.lowest_mm_s

    @property
    def complete_to_mm_s(self) -> float | None:
        """Up to which speed refused stretches were searched for finely; None: all the way."""
        return complete_to(self.feeders)


def in_closed_form(scenario: Scenario, *, look: Callable[[], None] | None = None) -> InClosedForm:
    """Return what the closed forms say of a line, without a simulation.

    ``look``: as in :func:`closed_forms`.
    """
    feeders = tuple(closed_forms(scenario, look=look))
    nowhere = lowest_together([feeder.limits for feeder in feeders]) == 0.0
    return InClosedForm(feeders, closed_window(scenario) if nowhere else None)


def limits_of_line(
    scenario: Scenario, limits: Sequence[Sequence[SpeedLimit]]
) -> tuple[FeederLimit, ...]:
    """Return the limits of all feeders that are known, the lowest first."""
    rows = [
        FeederLimit(
            feeder.name,
            limit.mechanism,
            limit.figure,
            limit.speed_mm_s,
            limit.mostly,
            limit.mostly_share,
        )
        for feeder, found in zip(scenario.feeder, limits, strict=True)
        for limit in found
        if limit.speed_mm_s is not None
    ]
    return tuple(sorted(rows, key=lambda row: row.speed_mm_s))


def closed_forms(scenario: Scenario, *, look: Callable[[], None] | None = None) -> list[Closed]:
    """Return what the closed forms say of each feeder.

    Parameters
    ----------
    look : callable, optional
        Called at each speed tried; what it raises ends the search.
    """
    return [closed_form_of(scenario, n, look=look) for n in range(len(scenario.feeder))]


@nothing_collected()
def closed_form_of(
    scenario: Scenario, number: int, *, look: Callable[[], None] | None = None
) -> Closed:
    """Return what the closed forms say of one feeder; ``look`` as in :func:`closed_forms`."""
    at = _at(scenario, number)
    return closed_form(at if look is None else _looking(at, look), criteria_of(scenario))


def _looking(at: At, look: Callable[[], None]) -> At:
    def looked_at(speed: float) -> FeederAtSpeed:
        look()
        return at(speed)

    return looked_at


def closed_between(scenario: Scenario, low: float, high: float) -> list[Closed]:
    """Return what the closed forms refuse of each feeder between two line speeds (mm/s)."""
    allowed, feeders = criteria_of(scenario), range(len(scenario.feeder))
    return [refused_between(_at(scenario, n), allowed, low, high) for n in feeders]


def limits_of(scenario: Scenario, number: int, *, lowest: bool = False) -> list[SpeedLimit]:
    """Return the closed-form limits of one feeder, the lowest first.

    ``lowest``: those of mechanisms that cannot be the lowest are left out.
    """
    at, allowed = _at(scenario, number), criteria_of(scenario)
    return list(closed_form(at, allowed, windows=1, lowest=lowest).limits)


def excess_at(scenario: Scenario, speed_mm_s: float) -> Excess:
    """Return the excess of the worst feeder at a line speed, all mechanisms together."""
    allowed = criteria_of(scenario)
    found = [SharesBySpeed(at, allowed).excess(speed_mm_s) for at in at_speeds(scenario)]
    return max(found, key=lambda excess: excess.times)


def at_speeds(scenario: Scenario) -> list[At]:
    """Return for each feeder a function of line speed (mm/s) that gives it with settings solved."""
    return [_at(scenario, number) for number in range(len(scenario.feeder))]


def _at(scenario: Scenario, number: int) -> At:
    machine_of(scenario)  # refuses what is wrong at every speed
    machine = machine_from(scenario)
    given = FeederAtSpeed(machine, with_chosen_motor(machine.feeders[number]))
    return lambda speed: solved(given.on_line_at(speed))


def closed_window(scenario: Scenario) -> tuple[float, float] | None:
    """Return the speeds (mm/s) around the line's own between which the closed forms accept it.

    None if they do not accept its own. Settings that are right at one speed only are accepted in
    a window about it, and at no slower speed.
    """
    allowed, speed = criteria_of(scenario), scenario.line.speed
    found = [window(_at(scenario, n), allowed, speed) for n in range(len(scenario.feeder))]
    if any(each is None for each in found):
        return None
    ends = [each for each in found if each is not None]
    return max(low for low, _ in ends), min(high for _, high in ends)


def complete_to(forms: Iterable[Closed]) -> float | None:
    """Return the speed (mm/s) to which the fine search went; None: all the way."""
    speed = min((form.complete_to_mm_s for form in forms), default=FASTEST_MM_S)
    return speed if speed < FASTEST_MM_S else None


def lowest_together(limits: Sequence[Sequence[SpeedLimit]]) -> float | None:
    """Return the speed (mm/s) up to which all mechanisms together leave the line acceptable."""
    speeds = [x.speed_mm_s for row in limits for x in row if x.mechanism == TOGETHER]
    return min((speed for speed in speeds if speed is not None), default=None)


def refused_speeds(forms: Iterable[Closed]) -> tuple[RefusedSpeeds, ...]:
    """Return the stretches of speeds that some feeder refuses, rising, touching ones merged."""
    rising = sorted(
        (r for form in forms for r in form.refused), key=lambda r: (r.from_mm_s, r.to_mm_s)
    )
    found: list[Refused] = []
    for stretch in rising:
        if found and stretch.from_mm_s <= found[-1].to_mm_s:
            end = max(found[-1].to_mm_s, stretch.to_mm_s)
            found[-1] = replace(found[-1], to_mm_s=end)
        else:
            found.append(stretch)
    return tuple(
        RefusedSpeeds(
            r.from_mm_s,
            r.to_mm_s if r.to_mm_s < FASTEST_MM_S else None,
            r.worst_mm_s,
            r.figure,
            r.share,
        )
        for r in found
    )


def worst_of_line(scenario: Scenario) -> Callable[[float, float], float]:
    """Return a function that finds the worst line speed (mm/s) between two close ones."""
    allowed, feeders = criteria_of(scenario), range(len(scenario.feeder))

    def worst(low: float, high: float) -> float:
        found = [worst_between(_at(scenario, n), allowed, low, high) for n in feeders]
        return max(found, key=lambda pair: pair[1].times)[0]

    return worst


def not_counted(scenario: Scenario) -> Iterator[str]:
    """Name the keys of this scenario that no closed form covers, if there are any."""
    feeders = scenario.feeder
    there = {
        "line.profile": bool(scenario.line.profile),
        "[supervision]": scenario.supervision is not None,
        "[[fault]]": bool(scenario.fault),
        "[[adjust]]": bool(scenario.adjust),
        "limits.jam_probability": any(p > 0.0 for _, p in scenario.limits.jam_probability or ()),
        "insert.magazine": any(f.insert.magazine for f in feeders),
        "double_check.action": any(f.double_check.action == "stop" for f in feeders),
    }
    named = [key for key, given in there.items() if given]
    if named:
        yield f"The closed forms leave out {', '.join(named)}: run the line to see."
