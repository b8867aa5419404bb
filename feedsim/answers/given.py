"""What the interface is given, held against its own type hints before anything is done."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from functools import wraps
from numbers import Integral, Real
from pathlib import Path
from types import NoneType, SimpleNamespace, UnionType
from typing import Any, Literal, ParamSpec, TypeVar, Union, get_args, get_origin, get_type_hints

from feedsim.errors import Fault, FeedsimError

P = ParamSpec("P")
R = TypeVar("R")

_NUMBERS = {int: Integral, float: Real}
_WORDS = {
    bool: "True or False",
    int: "a whole number",
    float: "a number",
    str: "a text",
    Path: "a path",
    NoneType: "None",
}
_KEYS_OF_LINE = {"carriers": "run.carriers", "seed": "seed", "speed": "line.speed"}
"""Keys of a line that are options of its commands, and arguments of no function."""
_LINE = 'a line, such as feedsim.load("my_line.toml") returns'


class WrongTypeError(FeedsimError, TypeError):
    """An argument is of a type that the function does not take."""


def typed(function: Callable[P, R]) -> Callable[P, R]:
    """Refuse arguments that are not of the types of the function's own hints.

    The WrongTypeError has each argument, what it was, and what is allowed; of a key of the line
    given as an argument, how to change it.
    """
    signature = inspect.signature(function)
    of_line = _KEYS_OF_LINE if {"line", "lines"} & signature.parameters.keys() else {}
    keys = {name: key for name, key in of_line.items() if name not in signature.parameters}

    @wraps(function)
    def held(*args: P.args, **kwargs: P.kwargs) -> R:
        if faults := [_of_line(function, name, kwargs[name]) for name in keys if name in kwargs]:
            raise WrongTypeError(*faults)
        given: Mapping[str, Any] = {}
        with suppress(TypeError):  # too many, or a name that it does not know: Python says so
            given = signature.bind(*args, **kwargs).arguments
        if faults := list(_faults(function, signature, given)):
            raise WrongTypeError(*faults)
        return function(*args, **kwargs)

    return held


def _of_line(function: Callable[..., object], name: str, value: object) -> Fault:
    change = {_KEYS_OF_LINE[name]: value}
    message = (
        f"{function.__name__}() got an unexpected keyword argument '{name}', a key of the line: "
        f"line.but({change!r})"
    )
    return Fault(name, message=message)


def _faults(
    function: Callable[..., object], signature: inspect.Signature, given: Mapping[str, Any]
) -> Iterator[Fault]:
    wanted = {name: text for name, text in function.__annotations__.items() if name != "return"}
    hints = get_type_hints(SimpleNamespace(__annotations__=wanted), function.__globals__)
    for name, hint in hints.items():
        several = signature.parameters[name].kind is inspect.Parameter.VAR_POSITIONAL
        for value in given.get(name, ()) if several else [given[name]] if name in given else []:
            if not _fits(value, hint):
                listed = several and isinstance(value, (list, tuple))
                each = f", each an argument of its own: {function.__name__}(*{name})"
                yield Fault(name, repr(value)[:60], words(hint) + each * listed)


def _fits(value: Any, hint: Any) -> bool:
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return any(_fits(value, part) for part in parts)
    if origin is Literal:
        return isinstance(value, str) and value in parts
    if _is_function(hint):
        return callable(value)
    if origin is not None:  # of a mapping: its keys
        listed = isinstance(value, origin) and not isinstance(value, (str, bytes))
        return listed and all(_fits(inner, parts[0]) for inner in value)
    fits = isinstance(value, _NUMBERS.get(hint, hint))
    return fits and not (hint in _NUMBERS and isinstance(value, bool))


def words(hint: Any) -> str:
    """Say what a type hint allows, after "needs".

    >>> words(int | None), words(Literal["miss", "hazard"]), words(str | Path)
    ('a whole number or None', '"miss" or "hazard"', 'the path, a text or a Path')
    """
    origin, parts = get_origin(hint), get_args(hint)
    if str in parts and Path in parts:
        said = "the path, a text or a Path" + " or None" * (NoneType in parts)
    elif origin in (Union, UnionType):
        said = " or ".join(words(part) for part in parts)
    elif origin is Literal:
        said = " or ".join(f'"{part}"' for part in parts)
    elif _is_function(hint):
        said = "a function"
    elif origin is not None and issubclass(origin, Mapping):
        said = "a dict with texts as its keys"
    elif origin is not None:
        said = f"a list, each of it {words(parts[0])}"
    else:
        said = _LINE if hint.__name__ == "Line" else _WORDS.get(hint, f"a {hint.__name__}")
    return said


def _is_function(hint: Any) -> bool:
    return get_origin(hint) is Callable or getattr(hint, "_is_protocol", False)
