"""The questions and their bounds: every field typed, unknown ones refused."""

from __future__ import annotations

import json
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from feedsim.quantities import System

MOST_CARRIERS = 1_000_000
_MOST_CHANGES = 400
_LONGEST_CHANGE = 20_000
_LARGEST_TEXT = 1_000_000
_LONGEST_AXIS = 2000
_MOST_PLAYED = 400

Carrier = Annotated[int, Field(ge=0, le=10**8)]
Read = TypeVar("Read", bound=BaseModel)
What = Literal[
    "knobs",
    "forms",
    "speeds",
    "run",
    "against",
    "playing",
    "sweep",
    "limit",
    "story",
    "command",
    "sheet",
    "mail",
    "written",
]


class NotAQuestion(ValueError):  # noqa: N818 - it says what came
    """A request that is not a valid question; the page shows its status and words."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")


class LineText(_Strict):
    """A line: the text of a scenario, and its changes as ``--set`` has them.

    ``file``: number of the desk's scenario that it belongs to, whose folder it uses.
    """

    file: Annotated[int, Field(ge=0, le=1)] = 0
    text: Annotated[str, Field(max_length=_LARGEST_TEXT)]
    changes: Annotated[
        list[Annotated[str, Field(max_length=_LONGEST_CHANGE)]], Field(max_length=_MOST_CHANGES)
    ] = []


class Question(LineText):
    """A question about a line.

    ``number``: the page's own; echoed.
    ``tab``: the asker: a newer question of the same tab replaces an older one of its kind.
    ``what``: the kind of question.
    ``units``: units of the answer; None: those of the scenario.
    ``carriers``: to simulate; None: as many as the scenario says.
    ``a``: the pinned line, to compare this one with.
    ``around``, ``start``, ``count``: which carriers are played.
    ``miss``, ``hazard``: play around, or explain, the first carrier that is missed or at risk.
    ``carrier``, ``feeder``: the carrier to explain, and where; all feeders if left out.
    ``axes``: axes of a sweep: each a key and its values, as for ``--vary``.
    ``within``: width of the speed range at which the search for the limit ends.
    """

    number: Annotated[int, Field(ge=0, le=2**53)]
    tab: Annotated[str, Field(min_length=1, max_length=40)]
    what: What
    units: System | None = None
    carriers: Annotated[int, Field(ge=1, le=MOST_CARRIERS)] | None = None
    a: LineText | None = None
    around: Carrier | None = None
    start: Annotated[Carrier | None, Field(alias="from")] = None
    count: Annotated[int, Field(ge=1, le=_MOST_PLAYED)] | None = None
    miss: bool = False
    hazard: bool = False
    carrier: Carrier | None = None
    feeder: Annotated[int, Field(ge=0, le=99)] | None = None
    axes: Annotated[list[Annotated[str, Field(max_length=_LONGEST_AXIS)]], Field(max_length=2)] = []
    within: Annotated[str, Field(max_length=40)] = "5 %"


class Saving(LineText):
    """A scenario to save in its own folder.

    ``over``: the SHA-256 of the file that may be overwritten, as the refusal gave it.
    """

    name: Annotated[str, Field(max_length=120)]
    over: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None = None


def read_question(body: bytes, kind: type[Read]) -> Read:
    """Read a question; NotAQuestion names the field that is not valid, and what is allowed."""
    try:
        data = json.loads(body)
    except (ValueError, RecursionError):
        raise NotAQuestion(400, "this is not JSON") from None
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"]))[:80] or "the question"
        raise NotAQuestion(422, f"{where}: {first['msg']}") from None
