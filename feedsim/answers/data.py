"""Answers as data: typed classes read from plain data, and described as JSON Schema."""

from __future__ import annotations

import inspect
import json
import re
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from feedsim.scenario import Scenario, json_schema

T = TypeVar("T")
Schema = dict[str, Any]
Defs = dict[str, tuple[type, Schema]]
"""Classes by name, and the schema of each."""

_SIMPLE = {NoneType: "null", bool: "boolean", int: "integer", float: "number", str: "string"}
_ATTRIBUTE = re.compile(r"^(\w+(?:, \w+)*)(?: : [^\n]*)?\n((?:    [^\n]*\n?|\n)*)", re.MULTILINE)
_FIELDS = re.compile(r"(?:^|(?<=[.;,] ))(``\w+``(?:(?:, | and )``\w+``)*): ")
"""How a docstring in sentences begins to tell of fields: ``low_mm``, ``high_mm``: the ends."""


def names() -> Sequence[str]:
    """Return the names of the answers whose data has a schema."""
    return tuple(_kinds())


def described(name: str) -> Schema:
    """Return the JSON Schema (draft 2020-12) of the file of an answer, one of :func:`names`."""
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"feedsim {name}",
    }
    return head | schema_of(_kinds()[name])


def _kinds() -> dict[str, type]:
    from feedsim.answers.budget.study.budget import Budgets
    from feedsim.answers.check.study.review import Review
    from feedsim.answers.compare.study.results import Comparisons
    from feedsim.answers.drive.study.results import Sizing
    from feedsim.answers.explain.study.record import Stories
    from feedsim.answers.learn.study.learned import Learning
    from feedsim.answers.limit.study.simulated import FoundLimits
    from feedsim.answers.setup.study.results import SetUp
    from feedsim.answers.sweep.study import Swept
    from feedsim.answers.trial.answer import PlannedTrial
    from feedsim.answers.trial.study.fit import TrialFit
    from feedsim.answers.tune.study.after import Tuning
    from feedsim.running.run import RunFigures

    return {
        "results": RunFigures,
        "sweep": Swept,
        "compare": Comparisons,
        "limit": FoundLimits,
        "tune": Tuning,
        "setup": SetUp,
        "budget": Budgets,
        "drive": Sizing,
        "trial_plan": PlannedTrial,
        "trial_fit": TrialFit,
        "check": Review,
        "explain": Stories,
        "learn": Learning,
    }


def schema_of(kind: type) -> Schema:
    """Return the JSON Schema of the plain form of a dataclass.

    It follows the metadata that :func:`feedsim.metrics.plain.plain` does, which no general
    library knows of. Descriptions come from the docstrings of the classes.
    """
    defs: Defs = {}
    whole = _object(kind, defs)
    return whole | {"$defs": {name: schema for name, (_, schema) in defs.items()}}


def _of(hint: Any, defs: Defs) -> Schema:
    """Return the schema of one type; classes with names go into `defs`."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin is None:
        found = {"type": _SIMPLE[hint]} if hint in _SIMPLE else _of_class(hint, defs)
    elif origin is Literal:
        found = {"enum": list(inner)}
    elif origin in (Union, UnionType):
        found = {"anyOf": [_of(each, defs) for each in inner]}
    elif origin is dict:
        found = {"type": "object", "additionalProperties": _of(inner[1], defs)}
    elif origin is tuple and inner[1:] != (...,):
        found = _row(inner, defs)
    else:
        found = {"type": "array", "items": _of(inner[0], defs)}
    return found


def _of_class(kind: type, defs: Defs) -> Schema:
    if issubclass(kind, Enum):
        return {"enum": [each.value for each in kind]}
    if not is_dataclass(kind) and kind is not Scenario:  # a named tuple
        return _row(get_type_hints(kind).values(), defs)
    name = kind.__name__
    if name not in defs:
        defs[name] = kind, {}  # stands in while the schema is made, so that it is made once
        defs[name] = kind, _scenario(name) if kind is Scenario else _object(kind, defs)
    if defs[name][0] is not kind:
        msg = f"two classes in one answer are named {name}"
        raise TypeError(msg)
    return {"$ref": f"#/$defs/{name}"}


def _scenario(name: str) -> Schema:
    """Return a scenario's schema, whose own definitions may have the names of an answer's."""
    text = json.dumps(json_schema()).replace("#/$defs/", f"#/$defs/{name}/$defs/")
    return {key: part for key, part in json.loads(text).items() if key != "$schema"}


def _row(inner: Iterable[Any], defs: Defs) -> Schema:
    parts = [_of(each, defs) for each in inner]
    return {"type": "array", "prefixItems": parts, "minItems": len(parts), "maxItems": len(parts)}


def _object(kind: type, defs: Defs) -> Schema:
    text, words = inspect.getdoc(kind) or "", _attributes(kind)
    properties: dict[str, Schema] = {}
    required: list[str] = []
    for name, schema, always in _properties(kind, defs):
        told = {"description": words[name]} if name in words else {}
        properties[name] = properties.get(name, schema) | told
        required += [name] if always else []
    return {
        "type": "object",
        "description": " ".join(text.partition("\n\n")[0].split()),
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _properties(kind: Any, defs: Defs) -> Iterator[tuple[str, Schema, bool]]:
    """Yield name and schema of each key, and whether it is always there."""
    hints: dict[str, Any] = {}
    for base in reversed(kind.__mro__):
        if "__dataclass_fields__" in vars(base):
            hints |= inspect.get_annotations(base, eval_str=True)
    for f in fields(kind):
        hint = hints[f.name]
        if "left_out" in f.metadata:
            continue
        if "among" not in f.metadata:
            maker = f.metadata.get("plain")
            written = hint if maker is None or hint is Scenario else get_type_hints(maker)["return"]
            schema = _of(written, defs)
            if "may_be_open" in f.metadata:
                schema = {"anyOf": [schema, {"type": "null"}]}
            yield f.name, schema, "if_any" not in f.metadata
            continue
        some = get_args(hint) or (hint,)
        for each in some:
            if each is NoneType:
                continue
            for name, schema, always in _properties(each, defs):
                yield name, schema, always and len(some) == 1


def _attributes(kind: type) -> dict[str, str]:
    """Return what the docstrings of a class and its bases say of each attribute."""
    found: dict[str, str] = {}
    for base in reversed(kind.__mro__):
        text, _, section = (inspect.getdoc(base) or "").partition("Attributes\n----------\n")
        told = _ATTRIBUTE.findall(section)
        for paragraph in text.split("\n\n")[1:]:
            parts = _FIELDS.split(" ".join(paragraph.split()))
            told += zip(parts[1::2], parts[2::2], strict=True)
        for shared, said in told:
            if words := " ".join(said.split()).rstrip(";,."):
                about = f"{words[0].upper()}{words[1:]}."
                found |= dict.fromkeys(re.findall(r"\w+", shared), about)
    return found


def read_as(kind: type[T], data: object) -> T:
    """Read what :func:`feedsim.metrics.plain.plain` has written of a dataclass, or of a field.

    Raises ValueError if it is not what such a class holds.
    """
    found: T = _reader(cast("Hashable", kind)).validate_python(data)
    return found


def data_of(kind: type[T], value: T) -> object:
    """Return what :func:`read_as` reads back unchanged, NaN and infinite numbers too."""
    found: object = _reader(cast("Hashable", kind)).dump_python(value)
    return found


@cache
def _reader(kind: Hashable) -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(cast("Any", kind))
