"""What logs say about a machine, compared with its scenario."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from feedsim import __version__
from feedsim.answers.answer import Answer, Table
from feedsim.answers.given import typed
from feedsim.answers.learn.study.learned import Learning, learned_from, with_placements
from feedsim.answers.line import Line
from feedsim.answers.trial.answer import measured_in
from feedsim.answers.trial.study.data import TrialData
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.logs import read_log
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System
from feedsim.running.run import machine_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MOST_LOGS = 20


@dataclass(frozen=True, slots=True, repr=False)
class Learnt(Learning, Answer):
    """What logs say about a machine: each quantity with its interval, beside the scenario's."""

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "learn"

    def _text(self, units: System) -> str:
        from feedsim.answers.learn.text import learned_text

        return learned_text(self, units=units)

    def _figures(self, units: System) -> dict[str, Figure]:
        from feedsim.answers.learn.figure import learned_figures

        return learned_figures(self, units=units)

    def tables(self) -> dict[str, Table]:
        """Return ``learned``: a row a quantity."""
        names = ("key", "what", "kind", "value", "low", "high", "scenario", "verdict", "why", "n")
        return {"learned": {n: [getattr(row, n) for row in self.learned] for n in names}}

    def changes(self) -> dict[str, str]:
        """Return what differs as changes of the line: ``line.but(found.changes())``."""
        from feedsim.answers.learn.writing import written_values

        return {path: value.text for path, value in written_values(self).items()}


@typed
def learn(
    line: Line, *logs: str | Path, rate_hz: float | None = None, trial: str | Path | None = None
) -> Learnt:
    """Learn a machine's settings and behaviour from its own logs, and where the scenario differs.

    Parameters
    ----------
    logs : str or Path
        CSV files, of events or of samples; best at several line speeds.
    rate_hz : float, optional
        For logs that number their samples and give no rate.
    trial : str or Path, optional
        Placements measured on the same machine, as :func:`feedsim.trial_fit` reads them.

    Raises
    ------
    FeedsimError
        If there is no log, if one is faulty (with its faults), or if nothing can be learned.

    Examples
    --------
    >>> import feedsim
    >>> line = feedsim.load("scenarios/learn_card.toml")
    >>> found = feedsim.learn(line, "scenarios/learn_card_60.csv")
    >>> rows = {row.key: row for row in found.learned}
    >>> ramp = rows["feeder.0.clutch.ramp_in"]
    >>> ramp.verdict, ramp.scenario, ramp.low < 0.026 < ramp.high
    ('differs', 0.02, True)
    >>> line.but(found.changes()).scenario.feeder[0].insert.gap < line.scenario.feeder[0].insert.gap
    True
    """
    _refuse_odd(logs, rate_hz)
    if trial is None:
        return learned_beside(line, logs, rate_hz=rate_hz)
    data = measured_in(line, trial, without=())
    return learned_beside(line, logs, rate_hz=rate_hz, data=data, name=Path(trial).name)


def learned_beside(
    line: Line,
    logs: Sequence[str | Path],
    *,
    rate_hz: float | None = None,
    data: TrialData | None = None,
    name: str = "",
) -> Learnt:
    """Learn from logs, and from placements already read; see :func:`learn`."""
    names = [feeder.name for feeder in line.scenario.feeder]
    read = [read_log(Path(path), feeders=names, rate_hz=rate_hz) for path in logs]
    found = _answer(learned_from(line.scenario, read, version=__version__), line)
    _refuse_empty(found)
    if data is None:
        return found
    machine = machine_of(line.but(found.changes()).scenario)
    return _answer(with_placements(found, machine, data, name=name), line)


def _refuse_odd(logs: tuple[object, ...], rate_hz: float | None) -> None:
    """Refuse no logs, too many, or an invalid rate."""
    if not 1 <= len(logs) <= _MOST_LOGS:
        raise FeedsimError(
            Fault(argument("logs"), f"{len(logs)} of them", f"1 to {_MOST_LOGS} logs")
        )
    if rate_hz is not None and not 0.0 < rate_hz < math.inf:
        raise FeedsimError(
            Fault(argument("rate_hz"), repr(rate_hz)[:60], "a number above 0, samples a second")
        )


def _refuse_empty(found: Learning) -> None:
    """Refuse logs from which nothing can be learned."""
    if any(row.value is not None for row in found.learned) or any(r.judged for r in found.program):
        return
    faults = []
    for log in found.logs:
        message = (
            f"nothing can be learned from {log.seconds:.3g} s with {log.carriers} carriers; export "
            "some minutes of the running line"
        )
        faults.append(Fault(log.file, message=" ".join([message + ".", *log.remarks[:3]])))
    raise FeedsimError(*faults)


def _answer(found: Learning, line: Line) -> Learnt:
    return Learnt(**{f: getattr(found, f) for f in Learning.__dataclass_fields__}, line=line)
