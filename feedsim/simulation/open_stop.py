"""A stop of the line while it lasts."""

from __future__ import annotations

from feedsim.records.stop import RecoveryStep, Rule, Stop, WhileStopped


class OpenStop:
    """What is known of a stop so far; parameters as of its record.

    ``power_off``: it is, or was, and home has not been found since. ``cleared``: inserts rejected
    by each feeder, up to the last note of it.
    """

    def __init__(
        self, rule: Rule, *, t: float, feeder: int, cause: str, carrier: int, at_rest_s: float
    ) -> None:
        self.rule, self.cause = rule, cause
        self.feeder, self.carrier = feeder, carrier
        self.time_s, self.at_rest_s = t, at_rest_s
        self.power_off = False
        self.cleared: list[int] = []
        self.steps: list[RecoveryStep] = []
        self.within: list[WhileStopped] = []

    def closed(self, restarted_s: float, *, lost: tuple[tuple[int, ...], ...]) -> Stop:
        """Return the record: when the line ran again (s, NaN for never), what was lost."""
        return Stop(
            rule=self.rule,
            cause=self.cause,
            feeder=self.feeder,
            carrier=self.carrier,
            time_s=self.time_s,
            at_rest_s=self.at_rest_s,
            restarted_s=restarted_s,
            lost=lost,
            steps=tuple(self.steps),
            within=tuple(self.within),
        )
