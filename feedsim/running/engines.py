"""Which of the two engines runs a line. Both give the same records, to the last byte."""

from __future__ import annotations

import os
from collections.abc import Callable

from feedsim.beside import copies
from feedsim.compiled.choice import why_not
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import Fault, FeedsimError
from feedsim.machine import Machine
from feedsim.records.columns import RunRecords
from feedsim.records.stored import AT_ONCE, stored

ENGINE = "FEEDSIM_ENGINE"
"""Environment variable that overrules the choice; ``--engine`` sets it, workers inherit it."""
ENGINES = ("events", "compiled")

MOST_HELD = 1_500_000
"""Carriers whose records are held in memory; longer runs use temporary files."""
LOADING = 20_000
"""Carriers that the event engine runs in the time it takes to load the compiled one."""
_BEGINNING = 1_000_000
"""Carriers times feeders that the compiled engine runs, results included, in the time that another
process needs to start and share them."""
_COPYING = 20_000
"""The same if that starts as a copy of this one."""
_COMPILING = 250_000
"""Carriers that the event engine runs in the time it takes to compile the other one."""

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
    """Run a line on the quicker engine, or on the requested one.

    The compiled engine must first be loaded, or even compiled. That is done once this process has
    spent, or with this run would spend, as long on the event engine as that takes.

    Parameters
    ----------
    machine, draws, carriers, progress
        As in :func:`~feedsim.simulation.line.simulate`.
    runs : int, optional
        Number of such records that the caller holds at a time.

    Raises
    ------
    FeedsimError
        If the compiled engine was requested and cannot run this line.
    """
    global _ran  # noqa: PLW0603 - what this process has done so far
    asked = _asked()
    reason = why_not(machine)
    if asked != "events" and not reason and (asked or _pays(carriers)):
        from feedsim.compiled.cache import compiled_driver
        from feedsim.compiled.driver import NeedsEvents
        from feedsim.compiled.engine import run_blocks, run_line

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
    from feedsim.simulation.line import simulate

    _ran += carriers
    return simulate(machine, draws, carriers=carriers, progress=progress)


def expect_many() -> None:
    """Load the compiled engine at the next run, if it is compiled: a search needs many runs."""
    global _ran  # noqa: PLW0603
    _ran = max(_ran, LOADING)


def get_ready(*runs: tuple[Machine, int]) -> bool:
    """Load the compiled engine, or even compile it, if the carriers to come are worth that.

    Copies of this process then have it, and other processes need not compile it.
    Returns whether it is loaded.

    Parameters
    ----------
    *runs : (Machine, int)
        Lines, and the number of carriers that each will run.
    """
    carriers = sum(many for machine, many in runs if not why_not(machine))
    if takes_events() or not carriers or not (_asked() or _pays(carriers)):
        return False
    from feedsim.compiled.cache import compiled_driver

    compiled_driver()
    expect_many()
    return True


def is_quick(machine: Machine, carriers: int) -> bool:
    """Return whether the compiled engine here would finish before other processes."""
    return carriers * len(machine.feeders) <= (_COPYING if copies() else _BEGINNING)


def refuse_compiled(what: str) -> None:
    """Refuse (FeedsimError) what only the event engine can tell, if the compiled one is requested.

    ``what``: as the beginning of a sentence: "a trace of every event".
    """
    if _asked() == "compiled":
        raise FeedsimError(
            f"the compiled engine cannot be used: {what} needs the order of the events, which only "
            "the event engine keeps"
        )


def takes_events() -> bool:
    """Return whether the event engine was requested."""
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
