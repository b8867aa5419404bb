"""The whole scenario, frozen and checked key by key."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from feedsim.scenario.carrier import Carrier
from feedsim.scenario.feeder import Feeder
from feedsim.scenario.keys import Section, Text, Whole, key
from feedsim.scenario.line import Controller, Eye, Length, Line, RunKeys, Share, Size
from feedsim.scenario.optional import optional, tables
from feedsim.scenario.planned import Adjust, PlannedFault
from feedsim.scenario.product import Divert, Product
from feedsim.scenario.supervision import JamProbability, Supervision
from feedsim.scenario.sweep import SweepKeys
from feedsim.scenario.tune import TuneKeys

MOST_FEEDERS = 64


class Limits(Section):
    """What the hazards are measured against."""

    speed_mismatch: Share = key(
        "Largest difference between insert and belt speed at placement, a share.", "5 %"
    )
    overhang: Length = key(
        "How far an insert may overhang its carrier at either end, a length.", "0 mm"
    )
    jam_probability: JamProbability | None = optional(
        "Probability that each hazard becomes a jam, which stops the line; none does if left out."
    )


class Acceptance(Section):
    """When the result is good enough."""

    placement_tolerance: Size = key("Largest error, either side of the target, a length.", "1.5 mm")
    within_tolerance: Share = key("Share of placed inserts within it, at least.", "99.7 %")
    missed: Share = key("Share of carriers that get no insert, at most.", "0.1 %")
    jam_risk: Share = key("Share of feed cycles with a hazard, at most.", "0.1 %")


class Scenario(Section):
    """A line, its feeders, and what they must achieve."""

    title: Annotated[str, Text(200)] = key("Title of the scenario, on one line.")
    seed: Annotated[int, Whole(0, 2**63 - 1)] = key(
        "Seed of every random number: the same seed, the same run.", 1
    )
    run: RunKeys = Field(default_factory=RunKeys)
    line: Line
    carrier: Carrier
    carrier_eye: Eye = Field(default_factory=Eye)
    controller: Controller = Field(default_factory=Controller)
    feeder: Annotated[tuple[Feeder, ...], tables("feeder", least=1, most=MOST_FEEDERS)] = key(
        "The feeders, in the order of their placement points.",
        json_schema_extra={"minItems": 1, "maxItems": MOST_FEEDERS},
    )
    limits: Limits = Field(default_factory=Limits)
    acceptance: Acceptance = Field(default_factory=Acceptance)
    product: Product | None = optional(
        "The recipe of a product; by default it needs an insert of each feeder."
    )
    divert: Divert | None = optional("A gate beyond the last feeder, if any.")
    supervision: Supervision | None = optional(
        "What stops the line, and how; nothing does if left out."
    )
    fault: Annotated[tuple[PlannedFault, ...], tables("fault")] = key("Planned faults.", ())
    adjust: Annotated[tuple[Adjust, ...], tables("adjust")] = key(
        "What an operator changes while the line runs.", ()
    )
    sweep: SweepKeys = Field(default_factory=SweepKeys)
    tune: TuneKeys | None = optional("What feedsim tune may choose, and what is unsure.")

    @property
    def unused(self) -> tuple[str, ...]:
        """Optional tables that are not given."""
        names = ("product", "divert", "supervision", "fault", "adjust", "tune")
        return tuple(name for name in names if not getattr(self, name))
