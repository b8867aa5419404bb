"""Imports point one way, each big library has one home, and no modules import in a circle."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

import feedsim

STAGES = (
    "errors",
    "arrays",
    "garbage",
    "interrupts",
    "beside",
    "guide",
    "units",
    "quantities",
    "measures",
    "probability",
    "arrivals",
    "machine",
    "criteria",
    "scenario",
    "motion",
    "drivetrain",
    "settings",
    "draws",
    "records",
    "simulation",
    "compiled",
    "metrics",
    "running",
    "logs",
    "study",
    "render",
    "files",
    "answers",
    "desk",
    "cli",
)
ONLY = {  # stages that may import less than all that come before them; names of arrays all may
    "guide": {"errors"},
    "garbage": set(),
    "units": set(),
    "quantities": {"errors", "units"},
    "measures": {"units", "quantities"},
    "probability": set(),
    "arrivals": {"probability"},
    "machine": {"arrivals"},
    "criteria": set(),
    "motion": {"machine"},
    "drivetrain": {"machine", "motion"},
    "settings": {"probability", "arrivals", "machine", "criteria", "motion", "drivetrain"},
    "draws": {"machine"},
    "records": {"errors", "machine", "motion"},
    "simulation": {"machine", "motion", "settings", "draws", "records"},
    "compiled": {"garbage", "machine", "motion", "draws", "records", "simulation"},
    "metrics": {"errors", "probability", "machine", "criteria", "settings", "records"},
    "beside": {"interrupts"},
    "render": {"errors", "beside", "quantities", "machine", "metrics"},
    "files": {"errors", "interrupts", "render"},
}
BARRED = {"simulation": ("feedsim.settings.predict",)}  # what it is checked against
HOMES = {
    "simpy": "simulation",
    "numba": "compiled",
    "llvmlite": "compiled",
    "matplotlib": "render",
    "numpy.random": "draws",
    "random": "draws",
    "secrets": "draws",
    "pint": "units",
    "pydantic": "scenario",  # and answers/data.py, which reads and describes typed answers
    "pydantic_core": "scenario",
    "tomlkit": "scenario",
    "distributed": "running",
    "dask": "running",
    "jinja2": "render",
    "markupsafe": "render",
    "starlette": "desk",
    "uvicorn": "desk",
}
ALSO = {  # single modules beside the home
    "feedsim.answers.data": ("pydantic", "pydantic_core"),
    "feedsim.desk.gate": ("secrets",),
    "feedsim.desk.questions": ("pydantic",),
}
RANDOM_NAMES = {"PCG64", "default_rng", "SeedSequence"}
HEAVY = ("pint", "matplotlib", "scipy")


class Import(NamedTuple):
    """One imported thing; ``at_start``: imported when the module is."""

    target: str
    line: int
    at_start: bool


def imports_of(module: str, source: str, *, package: bool) -> Iterator[Import]:
    """Yield every import of a module; ``from a import b`` yields ``a.b``."""
    todo: list[tuple[ast.AST, bool]] = [(ast.parse(source), True)]
    while todo:
        node, at_start = todo.pop()
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, node.lineno, at_start)
        elif isinstance(node, ast.ImportFrom):
            base = absolute(module, node, package=package)
            for alias in node.names:
                yield Import(f"{base}.{alias.name}", node.lineno, at_start)
        elif isinstance(node, ast.Call) and called(node) in {"import_module", "__import__"}:
            name = node.args[0].value if isinstance(node.args[0], ast.Constant) else "?"
            yield Import(str(name), node.lineno, at_start)
        elif isinstance(node, ast.Attribute) and node.attr in RANDOM_NAMES:
            yield Import(f"numpy.random.{node.attr}", node.lineno, at_start)
        elif isinstance(node, ast.Attribute) and is_numpy_random(node):
            yield Import("numpy.random", node.lineno, at_start)
        inner = at_start and not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            todo += [(child, False) for child in node.body]
            todo += [(child, inner) for child in node.orelse]
        else:
            todo += [(child, inner) for child in ast.iter_child_nodes(node)]


def absolute(module: str, node: ast.ImportFrom, *, package: bool) -> str:
    if not node.level:
        return node.module or ""
    parents = module.split(".")
    up = node.level - 1 if package else node.level
    return ".".join([*parents[: len(parents) - up], *([node.module] if node.module else [])])


def called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def is_numpy_random(node: ast.Attribute) -> bool:
    return node.attr == "random" and getattr(node.value, "id", "") in {"np", "numpy"}


def within(name: str, library: str) -> bool:
    return name == library or name.startswith(library + ".")


def stage(module: str) -> str:
    """Return the stage of a module; the package itself, which holds its version, has none.

    An answer is a column: what works it out (``study``) comes before what says and draws it.
    """
    parts = module.split(".")
    if parts[1:2] == ["answers"] and parts[3:4] == ["study"]:
        return "study"
    return "cli" if parts[1:] == ["__main__"] else ".".join(parts[1:2])


def faults(modules: dict[str, str], packages: frozenset[str] = frozenset()) -> list[str]:
    """Return what is wrong with a tree of modules (name → source), a line for each fault."""
    found, graph = [], {}
    for module, source in modules.items():
        if module != "feedsim" and stage(module) not in STAGES:
            found.append(f"{module} is of no known stage")
            continue
        used = list(imports_of(module, source, package=module in packages))
        if module == "feedsim":  # the interface, which imports each part when it is asked for
            used = [i for i in used if i.at_start]
        if any(within(i.target, "feedsim") for i in used if module == "feedsim"):
            found.append("feedsim itself imports something: whoever imports any part would too")
        graph[module] = {own(i.target, modules) for i in used if within(i.target, "feedsim")}
        for i in used:
            found += [f"{module}:{i.line} {text}" for text in import_faults(module, i, modules)]
    return found + circles(graph)


def own(target: str, modules: dict[str, str]) -> str:
    """Return the module that an imported name lives in."""
    while target not in modules and "." in target:
        target = target.rpartition(".")[0]
    return target


def import_faults(module: str, i: Import, modules: dict[str, str]) -> Iterator[str]:
    here = stage(module)
    if i.target == "?":
        yield "imports something that cannot be read off"
    if i.at_start and any(within(i.target, library) for library in HEAVY):
        yield f"imports {i.target} when it is imported itself"
    for library, home in HOMES.items():
        also = (here, library) == ("answers", "matplotlib") or library in ALSO.get(module, ())
        if within(i.target, library) and here != home and not also:
            yield f"imports {i.target}, whose home is {home}"
    if within(i.target, "feedsim") and here and i.target != "feedsim.__version__":
        there = stage(own(i.target, modules))
        before = set(STAGES[: STAGES.index(here)])
        allowed = before & (ONLY.get(here, before) | {"arrays"}) | {here}
        if there not in allowed:
            yield f"of stage {here} imports {i.target} of stage {there or 'feedsim itself'}"
        if any(within(i.target, barred) for barred in BARRED.get(here, ())):
            yield f"imports {i.target}, which it is checked against"


def circles(graph: dict[str, set[str]]) -> list[str]:
    """Return the modules that can be reached from themselves (an empty list: no circle)."""
    left = {module: set(targets) & set(graph) for module, targets in graph.items()}
    while True:
        leaves = {module for module, targets in left.items() if not targets}
        if not leaves:
            return [f"circle among {sorted(left)}"] if left else []
        left = {m: targets - leaves for m, targets in left.items() if m not in leaves}


def tree() -> tuple[dict[str, str], frozenset[str]]:
    """Return the project's modules and which of them are packages."""
    root = Path(feedsim.__file__).parent
    modules, packages = {}, set()
    for file in sorted(root.rglob("*.py")):
        parts = file.relative_to(root.parent).with_suffix("").parts
        if parts[-1] == "__init__":
            parts = parts[:-1]
            packages.add(".".join(parts))
        modules[".".join(parts)] = file.read_text(encoding="utf-8")
    return modules, frozenset(packages)


def test_the_project_keeps_its_layers() -> None:
    modules, packages = tree()
    assert faults(modules, packages) == []


def test_the_whole_project_is_looked_at() -> None:
    modules, packages = tree()
    assert {stage(module) for module in modules} == {"", *STAGES}
    assert {"feedsim.simulation.line", "feedsim.motion.feed", "feedsim.machine"} <= set(modules)
    assert {"feedsim", "feedsim.motion", "feedsim.cli"} <= packages


def test_rules_only_narrow_the_order() -> None:
    for here, allowed in ONLY.items():
        assert allowed <= set(STAGES[: STAGES.index(here)])


GOOD = {
    "feedsim": "__version__ = '1'",
    "feedsim.__main__": "from feedsim.cli.main import run",
    "feedsim.machine": "import math",
    "feedsim.units": "def f():\n    import pint",
    "feedsim.motion.belt": "from feedsim.machine import Line",
    "feedsim.drivetrain.law": "from feedsim.motion.belt import Belt",
    "feedsim.settings.predict": "from feedsim.motion.belt import Belt",
    "feedsim.settings.solve": "from feedsim import machine\nfrom feedsim.motion.belt import Belt",
    "feedsim.draws.streams": "from numpy.random import PCG64, Generator",
    "feedsim.simulation.clock": "from collections.abc import Generator\nfrom simpy import Event",
    "feedsim.simulation.line": "from feedsim.simulation.clock import Clock",
    "feedsim.metrics.rows": "import numpy as np\nnp.random_thing",
    "feedsim.render.figure": (
        "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    from matplotlib.axes import Axes\n"
        "def draw():\n    import matplotlib"
    ),
    "feedsim.running.run": "from feedsim import __version__",
    "feedsim.answers.limit.study.search": "from feedsim.running.run import run",
    "feedsim.answers.limit.figure": (
        "from feedsim.answers.limit.study.search import x\n"
        "def draw():\n    from matplotlib.axes import Axes"
    ),
    "feedsim.cli.main": "def run():\n    from feedsim.simulation.line import simulate",
}


def test_a_good_tree_has_no_fault() -> None:
    assert faults(GOOD) == []


@pytest.mark.parametrize(
    ("module", "source", "says"),
    [
        ("feedsim.motion.a", "import feedsim.settings.solve", "of stage motion imports"),
        ("feedsim.motion.a", "def f():\n    from feedsim.cli import main", "of stage motion"),
        ("feedsim.motion.a", "from ..draws import streams", "of stage motion imports"),
        (
            "feedsim.drivetrain.a",
            "from feedsim.settings.solve import x",
            "of stage drivetrain imports",
        ),
        ("feedsim.simulation.a", "import feedsim.drivetrain.law", "of stage simulation imports"),
        ("feedsim.machine", "from feedsim.motion.belt import Belt", "of stage machine imports"),
        ("feedsim.machine", "from feedsim.quantities import f", "of stage machine imports"),
        ("feedsim.draws.a", "from feedsim.motion import belt", "of stage draws imports"),
        ("feedsim.scenario.a", "from feedsim.motion import belt", "of stage scenario imports"),
        ("feedsim.records.a", "from feedsim.quantities import f", "of stage records imports"),
        ("feedsim.simulation.a", "from feedsim.metrics.rows import x", "of stage simulation"),
        ("feedsim.simulation.a", "from feedsim.settings.predict import x", "checked against"),
        ("feedsim.simulation.a", "from feedsim.settings import predict", "checked against"),
        ("feedsim.metrics.a", "import feedsim.simulation.line", "of stage metrics imports"),
        ("feedsim.metrics.a", "from feedsim.motion.belt import Belt", "of stage metrics imports"),
        ("feedsim.running.a", "from feedsim.render.figure import draw", "of stage running"),
        (
            "feedsim.answers.limit.study.a",
            "from feedsim.answers.limit.text import x",
            "of stage study imports",
        ),
        ("feedsim.answers.limit.study", "import feedsim.render.canvas", "of stage study imports"),
        ("feedsim.answers.limit.study.a", "from matplotlib.axes import A", "home is render"),
        ("feedsim.render.a", "from feedsim.cli.main import run", "of stage render imports"),
        ("feedsim.cli.a", "from feedsim import nothing", "feedsim itself"),
        ("feedsim", "from feedsim.machine import Machine", "feedsim itself imports"),
        ("feedsim.helpers", "", "no known stage"),
        ("feedsim.running.a", "import simpy", "whose home is simulation"),
        ("feedsim.cli.a", "def f():\n    from matplotlib import pyplot", "whose home is render"),
        ("feedsim.render.a", "from matplotlib.axes import Axes", "when it is imported itself"),
        ("feedsim.render.a", "class A:\n    import scipy.stats", "when it is imported itself"),
        ("feedsim.render.a", "try:\n    import pint\nexcept E:\n    x = 1", "when it is imported"),
        ("feedsim.simulation.a", "import random", "whose home is draws"),
        ("feedsim.simulation.a", "from random import gauss", "whose home is draws"),
        ("feedsim.simulation.a", "from numpy import random", "whose home is draws"),
        ("feedsim.simulation.a", "import numpy.random as r", "whose home is draws"),
        ("feedsim.running.a", "import numpy as np\nx = np.random.normal()", "home is draws"),
        ("feedsim.running.a", "import numpy as n\nx = n.random.default_rng()", "home is draws"),
        ("feedsim.running.a", "from numpy.random import SeedSequence", "whose home is draws"),
        ("feedsim.machine", "def f():\n    import pint", "whose home is units"),
        ("feedsim.cli.a", "from pydantic import BaseModel", "whose home is scenario"),
        ("feedsim.cli.a", "from importlib import import_module as f\nimport_module(x)", "read off"),
        ("feedsim.motion.a", "__import__('simpy')", "whose home is simulation"),
        ("feedsim.motion.belt", "from feedsim.motion.belt import x", "circle among"),
    ],
)
def test_a_planted_fault_is_found(module: str, source: str, says: str) -> None:
    found = faults({**GOOD, module: source})
    assert any(says in line for line in found), found


def test_a_planted_circle_is_found_and_named() -> None:
    planted = {
        "feedsim.render.a": "from feedsim.render.b import x",
        "feedsim.render.b": "def f():\n    import feedsim.render.c",
        "feedsim.render.c": "from .a import y",
    }
    assert faults({**GOOD, **planted}) == [
        "circle among ['feedsim.render.a', 'feedsim.render.b', 'feedsim.render.c']"
    ]
