"""Write the guide's tables of every key and every option, from the schema and the commands.

``.venv/bin/python .ci/guide.py`` writes them into feedsim/guide/keys.md and commands.md, below
their last heading. Run it after a key, a default, an option or a description has changed; a test
compares.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_type_hints

import typer
from typer.models import ArgumentInfo, OptionInfo

from feedsim import guide
from feedsim.cli.main import app
from feedsim.scenario import json_schema

PAGES = Path(guide.__file__).parent
MADE = {"keys": "## Every key\n", "commands": "## Every option\n"}


def page(name: str) -> str:
    """Return a page with its tables made anew."""
    before, heading, _ = guide.text(name).partition(MADE[name])
    if not heading:
        raise SystemExit(f"{name}.md has no heading {MADE[name]!r}")
    made = _keys() if name == "keys" else _commands()
    return before + heading + "".join(f"\n{part}" for part in made)


def _cell(text: str) -> str:
    return " ".join(text.replace("|", r"\|").split())


def _table(head: str, rows: list[tuple[str, ...]]) -> str:
    lines = [head, "| --- " * len(rows[0]) + "|"]
    return "\n".join([*lines, *("| " + " | ".join(map(_cell, row)) + " |" for row in rows)]) + "\n"


def _keys() -> Iterator[str]:
    """Yield a part for each table of a scenario."""
    schema = json_schema()
    named: dict[str, list[str]] = {}  # tables of the same keys are told of once
    for name, path in _tables(schema, schema["properties"], ""):
        named.setdefault(name, []).append(path)
    yield _keys_of("At the top of the file", "", schema)
    for name, paths in named.items():
        inner = schema["$defs"][name]
        yield _keys_of(" and ".join(f"`{path}`" for path in paths), inner["description"], inner)


def _tables(schema: Any, properties: Any, above: str) -> Iterator[tuple[str, str]]:
    """Yield each table's name in the schema and its heading in a file."""
    for key, value in properties.items():
        if value.get("deprecated"):
            continue
        one, many = value.get("$ref"), value.get("items", {}).get("$ref")
        if one or many:
            name = (one or many).rpartition("/")[2]
            yield name, f"[[{above}{key}]]" if many else f"[{above}{key}]"
            yield from _tables(schema, schema["$defs"][name]["properties"], f"{above}{key}.")


def _keys_of(title: str, description: str, schema: Any) -> str:
    required = schema.get("required", [])
    rows = [
        (f"`{key}`", _default(value, needed=key in required), _what(value))
        for key, value in schema["properties"].items()
        if "$ref" not in value and "$ref" not in value.get("items", {})
    ]
    said = f"{description}\n\n" if description else ""
    return f"### {title}\n\n{said}{_table('| key | default | what it is |', rows)}"


def _default(value: Any, *, needed: bool) -> str:
    if needed:
        return "**must be given**"
    return f"`{_toml(value['default'])}`" if "default" in value else ""


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + "}"
    return json.dumps(value, ensure_ascii=False)


def _what(value: Any) -> str:
    words = value["description"]
    if choices := value.get("enum"):
        words += f" One of {', '.join(f'`{_toml(c)}`' for c in choices)}."
    return words


def _commands() -> Iterator[str]:
    """Yield a part for each command."""
    for name, command in _callbacks(app):
        hints = get_type_hints(command, include_extras=True)
        rows = []
        for parameter in inspect.signature(command).parameters.values():
            info = next(iter(getattr(hints[parameter.name], "__metadata__", ())))
            rows.append(
                (f"`{_written(parameter.name, info, hints)}`", _helped(info, parameter.default))
            )
        text = " ".join(inspect.getdoc(command).split("\n\n")[0].split())
        body = _table("| give | for |", rows) if rows else "It takes no options.\n"
        yield f"### `feedsim {name}`\n\n{text}\n\n{body}"


def _callbacks(part: typer.Typer, before: str = "") -> Iterator[tuple[str, Any]]:
    for command in part.registered_commands:
        yield before + (command.name or command.callback.__name__), command.callback
    for group in part.registered_groups:
        yield from _callbacks(group.typer_instance, f"{group.typer_instance.info.name} ")


def _written(name: str, info: ArgumentInfo | OptionInfo, hints: dict[str, Any]) -> str:
    """Return an argument or option as one writes it: ``--speed SPEED``."""
    if isinstance(info, ArgumentInfo):
        return info.metavar or name.upper()
    said = [info.default, *(info.param_decls or ())]  # typer reads the first of Option() either way
    flags = [flag for flag in said if isinstance(flag, str) and flag.startswith("--")]
    option = flags[0] if flags else f"--{name.replace('_', '-')}"
    kind = str(hints[name].__origin__)
    if "bool" in kind:
        return option
    if choices := getattr(hints[name].__origin__, "__members__", None):
        return f"{option} {'|'.join(choices)}"
    return f"{option} {info.metavar or ('N' if 'int' in kind else 'FOLDER')}"


def _helped(info: ArgumentInfo | OptionInfo, default: Any) -> str:
    plain = getattr(default, "value", default)
    told = isinstance(plain, str | int | float) and not isinstance(plain, bool)
    told &= "[default" not in str(info.help)
    words = f"{info.help} [default: {plain}]" if told else str(info.help)
    return words.replace("<", r"\<")  # or Markdown takes a <scenario> for HTML


if __name__ == "__main__":
    for page_name in MADE:
        (PAGES / f"{page_name}.md").write_text(page(page_name), "utf-8")
