"""Which of the two engines runs a line. Both give the same records, to the last byte."""

from __future__ import annotations

import os
from collections.abc import Callable

from feedsim.compiled.choice import why_not
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import Fault, FeedsimError
from feedsim.machine import Machine
from feedsim.records.columns import RunRecords
from feedsim.records.stored import AT_ONCE, stored
from feedsim.simulation.line import simulate

__all__ = [
    "ENGINE",
    "ENGINES",
    "LOADING",
    "MOST_HELD",
    "expect_many",
    "is_quick",
    "simulated",
    "takes_events",
]

ENGINE = "FEEDSIM_ENGINE"
"""Environment variable that overrules the choice; ``--engine`` sets it, workers inherit it."""
ENGINES = ("events", "compiled")

MOST_HELD = 1_500_000
"""Carriers whose records are held in memory; those of longer runs lie in temporary files."""
LOADING = 20_000
"""Carriers that the event engine runs in the time that it takes to load the compiled one."""
_BEGINNING = 1_000_000
"""Carriers of a feeder that the compiled engine runs, with their results, in the time in which two
other processes begin and run them."""
_COMPILING = 250_000
"""Likewise to compile it."""

_ran = 0
"""Carriers that the event engine has run in this process."""


def simulated(
    machine: Machine,
    draws: RunDraws,
    *,
    carriers: int,
    runs: int = 1,
    progress: Callable[[int], None] | None = None,
) -> RunRecords:
    """Run a line on the engine that is quicker, or the one that was asked for.

    The compiled engine has to be loaded, or even compiled, first. It is as soon as this process
    has waited for the event engine, or would now, as long as that takes.

    Parameters
    ----------
    machine, draws, carriers, progress
        As in :func:`~feedsim.simulation.line.simulate`.
    runs : int, optional
        How many such records will be held at a time.

    Raises
    ------
    FeedsimError
        If the compiled engine was asked for and cannot run this line.
    """
    global _ran  # noqa: PLW0603 - what this process has done so far
    asked = _asked()
    reason = why_not(machine)
    if asked != "events" and not reason and (asked or _pays(carriers)):
        from feedsim.compiled.cache import compiled_driver
        from feedsim.compiled.engine import NeedsEvents, run_blocks, run_line

        driver = compiled_driver()
        try:
            if runs * carriers <= MOST_HELD:
                return run_line(machine, draws, carriers=carriers, driver=driver, progress=progress)
            block = AT_ONCE
            return stored(
                run_blocks(
                    machine, draws, carriers=carriers, block=block, driver=driver, progress=progress
                )
            )
        except NeedsEvents as error:
            reason = str(error)
    if asked == "compiled":
        raise FeedsimError(f"the compiled engine cannot run this line: {reason}")
    _ran += carriers
    return simulate(machine, draws, carriers=carriers, progress=progress)


def expect_many() -> None:
    """Take the compiled engine at once, if it is compiled: this process is one of a search."""
    global _ran  # noqa: PLW0603
    _ran = max(_ran, LOADING)


def is_quick(machine: Machine, carriers: int) -> bool:
    """Tell whether this process runs so many on the compiled engine before others have."""
    if carriers * len(machine.feeders) > _BEGINNING or why_not(machine) or takes_events():
        return False
    from feedsim.compiled.cache import is_kept

    return is_kept()


def takes_events() -> bool:
    """Tell whether the event engine was asked for."""
    return _asked() == "events"


def _pays(carriers: int) -> bool:
    if _ran + carriers < LOADING:
        return False
    from feedsim.compiled.cache import is_kept

    return is_kept() or _ran + carriers >= _COMPILING


def _asked() -> str:
    asked = os.environ.get(ENGINE, "")
    if asked and asked not in ENGINES:
        raise FeedsimError(Fault(ENGINE, repr(asked), " or ".join(ENGINES)))
    return asked
