"""Beside every formula stands where it is from: at the function, its class, or its module.

A formula is what a docstring writes with the signs of one, units left out. A source is a standard,
a book or paper with its year, any textbook, or a page of MODEL.md where it is derived; or it says
that there is none.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import feedsim

STAGES = ("motion", "drivetrain", "probability", "arrivals", "settings", "metrics")
FORMULA = re.compile(r"[·√Σ∫Φ∏²³⌊⌈]|[a-z]\d? = [a-z(]|E\[|e\^")
UNIT = re.compile(r"N·m|kg·m²|k?m*m/s²|mm²|m²")
SOURCE = re.compile(
    r"MODEL\.md|[Dd]erived|JCGM|NIST|\bISO \d|\b(?:18|19|20)\d\d\b|Abramowitz"
    r"|[Ee]lementary|any (?:\w+ )*text|by definition|common practice, no source|from memory"
)


def formulas(source: str) -> Iterator[tuple[str, str]]:
    """Yield what has a formula in its docstring, by name, and where its source may stand."""
    tree = ast.parse(source)
    if FORMULA.search(UNIT.sub("", ast.get_docstring(tree) or "")):
        yield "the module", source
    todo: list[tuple[ast.AST, str]] = [(tree, ast.get_docstring(tree) or "")]
    while todo:
        node, above = todo.pop()
        for child in ast.iter_child_nodes(node):
            here = above
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                own = ast.get_docstring(child) or ""
                here = f"{above}\n{own}"
                if FORMULA.search(UNIT.sub("", own)):
                    yield child.name, here
            todo.append((child, here))


def without_source(source: str) -> list[str]:
    return [name for name, says in formulas(source) if not SOURCE.search(says)]


@pytest.mark.parametrize("stage", STAGES)
def test_every_formula_names_its_source(stage: str) -> None:
    files = sorted((Path(feedsim.__file__).parent / stage).glob("*.py"))
    missing = {
        path.name: names for path in files if (names := without_source(path.read_text("utf-8")))
    }
    assert missing == {}
    assert sum(1 for path in files for _ in formulas(path.read_text("utf-8"))) > 5


def test_a_formula_without_a_source_is_found() -> None:
    planted = 'def f(m, s):\n    """Return the mean: m·Φ(m/s) + s·φ(m/s)."""\n'
    assert without_source(planted) == ["f"]
    assert without_source('class A:\n    """x = y² + z."""\n') == ["A"]
    named = planted.replace("Return", "Greene 2003, Econometric Analysis: return")
    assert without_source(named) == []
