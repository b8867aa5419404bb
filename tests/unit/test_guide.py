"""The guide and README: each key, command and option stands there, each link leads somewhere."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer

from feedsim import FeedsimError, guide
from feedsim.cli.main import app
from feedsim.scenario import json_schema

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
PAGES = {name: ROOT / "feedsim" / "guide" / f"{name}.md" for name in guide.PAGES}
DOCUMENTS = [README, ROOT / "DEVELOPERS.md", ROOT / "plots" / "README.md", *PAGES.values()]
LINK = re.compile(r"\]\(([^)\s]+)\)")
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def without_code(text: str) -> str:
    return FENCE.sub("", text)


def blocks(path: Path, kind: str) -> list[str]:
    return [body for name, body in FENCE.findall(path.read_text("utf-8")) if name == kind]


def dead_links(path: Path, text: str) -> list[str]:
    """Return the links of a document that lead nowhere: no such file, or no such heading in it."""
    dead = []
    for link in LINK.findall(without_code(text)):
        file, _, heading = link.partition("#")
        target = (path.parent / file) if file else path
        if link.startswith(("http://", "https://")):
            continue
        if not target.exists() or (heading and heading not in headings(target)):
            dead.append(link)
    return dead


def headings(path: Path) -> set[str]:
    """Return the anchors of a document's headings, as viewers of Markdown commonly make them."""
    found = re.findall(r"^#+ (.+)$", without_code(path.read_text("utf-8")), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", words.lower()).replace(" ", "-") for words in found}


def linked_pages(text: str) -> set[str]:
    return {Path(link.partition("#")[0]).stem for link in LINK.findall(text) if ".md" in link}


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    """Return the script that makes the guide's tables."""
    spec = importlib.util.spec_from_file_location("guide_maker", ROOT / ".ci" / "guide.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_page_ships_and_no_file_is_forgotten() -> None:
    assert {path.stem for path in (ROOT / "feedsim" / "guide").glob("*.md")} == set(guide.PAGES)
    for name, path in PAGES.items():
        assert guide.text(name) == path.read_text("utf-8")


@pytest.mark.parametrize("name", guide.PAGES)
def test_a_page_opens_with_its_question_and_leads_on(name: str) -> None:
    text = guide.text(name)
    assert re.match(r"# [A-Z][^\n]+\?\n\n\S", text)
    assert guide.question(name).endswith("?")
    assert len(re.findall(r"^# ", without_code(text), re.MULTILINE)) == 1
    onward = linked_pages(text) & set(guide.PAGES)
    assert len(onward - {name}) >= 2
    assert any(name in linked_pages(guide.text(other)) for other in guide.PAGES if other != name)


def test_readme_lists_each_page_with_its_question() -> None:
    rows = [f"| [{name}](feedsim/guide/{name}.md) | {guide.question(name)} |" for name in PAGES]
    assert "\n".join(rows) in README.read_text("utf-8")


def test_readme_is_short_and_has_two_commands_to_set_up() -> None:
    assert len(README.read_text("utf-8").splitlines()) <= 250
    assert len(blocks(README, "sh")) == 2


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_every_link_leads_somewhere(path: Path) -> None:
    assert dead_links(path, path.read_text("utf-8")) == []


def test_a_link_that_leads_nowhere_is_found() -> None:
    text = "[a](no-such-page.md) [b](#cautions) [c](#no-such-heading) ![d](plots/none.png)"
    assert dead_links(README, text) == ["no-such-page.md", "#no-such-heading", "plots/none.png"]


def test_what_is_shown_of_a_scenario_stands_in_it() -> None:
    shown = tomllib.loads(blocks(README, "toml")[0])
    whole = tomllib.loads((ROOT / "scenarios" / "membership_card.toml").read_text("utf-8"))
    assert missing_from(whole, shown) == []
    assert missing_from(whole, {"line": {"speed": "61 m/min"}}) == ["line.speed"]


def missing_from(whole: Any, part: Any, path: str = "") -> list[str]:
    if isinstance(part, dict) and isinstance(whole, dict):
        inner = ((f"{path}.{key}".lstrip("."), key) for key in part)
        return [m for p, key in inner for m in missing_from(whole.get(key), part[key], p)]
    if isinstance(part, list) and isinstance(whole, list) and len(part) == len(whole):
        both = enumerate(zip(whole, part, strict=True))
        return [m for i, (w, p) in both for m in missing_from(w, p, f"{path}.{i}")]
    return [] if whole == part else [path]


def test_the_cautions_are_the_same_in_readme_and_guide() -> None:
    readme = README.read_text("utf-8").partition("## Cautions\n\n")[2].strip()
    assert readme in guide.text("cautions")
    for word in (
        "Moving",
        "lock it out",
        "no safe stop",
        "guard",
        "safety function",
        "local codes",
    ):
        assert word in " ".join(readme.split())


@pytest.mark.parametrize("name", ["keys", "commands"])
def test_the_tables_are_those_of_schema_and_commands(name: str, maker: ModuleType) -> None:
    assert guide.text(name) == maker.page(name), "run .venv/bin/python .ci/guide.py"


def sections(text: str) -> dict[str, str]:
    parts = re.split(r"^### (.+)$", text, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def test_every_key_of_the_schema_stands_in_the_guide() -> None:
    schema, shown = json_schema(), sections(guide.text("keys"))
    checked = 0
    for path, table in paths(schema, schema["properties"], ()):
        head = f"[{'.'.join(path[:-1])}]" if path[:-1] else "At the top of the file"
        section = next(body for title, body in shown.items() if head in title)
        assert f"\n| `{path[-1]}` |" in section, path
        if "default" in table and not isinstance(table["default"], dict | list):
            row = section.partition(f"\n| `{path[-1]}` |")[2].partition("\n")[0]
            assert str(table["default"]).lower() in row.lower(), path
        checked += 1
    assert checked > 160


def paths(
    schema: Any, properties: Any, above: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], Any]]:
    for key, value in properties.items():
        if value.get("deprecated"):
            continue
        reference = value.get("$ref") or value.get("items", {}).get("$ref")
        if reference:
            inner = schema["$defs"][reference.rpartition("/")[2]]
            yield from paths(schema, inner["properties"], (*above, key))
        else:
            yield (*above, key), value


def test_every_command_and_option_stands_in_the_guide() -> None:
    page = guide.text("commands")
    shown = sections(page)
    options = 0
    for name, command in commands(typer.main.get_command(app), "feedsim"):
        assert f"| `{name}" in page.partition("## Every option")[0]  # what it is for
        for parameter in command.params:
            flags = [flag for flag in parameter.opts if flag.startswith("--")]
            for flag in set(flags) - {"--help"}:
                assert re.search(rf"\n\| `{flag}[ `]", shown[f"`{name}`"]), (name, flag)
                options += 1
    assert options > 60


def commands(part: Any, name: str) -> Iterator[tuple[str, Any]]:
    if inner := getattr(part, "commands", None):
        for word, command in inner.items():
            yield from commands(command, f"{name} {word}")
    else:
        yield name, part


@pytest.mark.parametrize("name", guide.PAGES)
def test_a_terminal_is_shown_commands_in_place_of_links(name: str) -> None:
    shown = without_code(guide.for_terminal(guide.text(name)))
    assert not LINK.search(shown)
    for page in linked_pages(guide.text(name)) & set(guide.PAGES):
        assert f"`feedsim guide {page}`" in shown


@pytest.mark.parametrize(("asked", "near"), [("fastr", "faster"), ("Sheet.md", "sheet")])
def test_a_wrong_page_is_told_the_nearest_and_all(asked: str, near: str) -> None:
    with pytest.raises(
        FeedsimError, match=rf'no page "{asked}". Did you mean "{near}"\?'
    ) as caught:
        guide.text(asked)
    assert all(name in str(caught.value) for name in guide.PAGES)


def test_a_page_unlike_any_has_no_nearest_and_is_shown_short() -> None:
    with pytest.raises(FeedsimError, match='no page "README"\\. The pages are'):
        guide.text("README")
    with pytest.raises(FeedsimError) as caught:
        guide.text("q" * 5000)
    assert "Did you mean" not in str(caught.value)
    assert len(str(caught.value)) < 400
