"""What stands near the edge of what is accepted, in words."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.limit.study.turned import Edge
from feedsim.measures import parse
from feedsim.quantities import System, display


def near_words(edges: Sequence[Edge], speed_mm_s: float, *, units: System = "metric") -> list[str]:
    """Warn of values that are refused at a line speed if they are a little larger or smaller.

    Parameters
    ----------
    edges : sequence of Edge
        Of :func:`feedsim.answers.limit.study.turned.near_edges`.

    Returns
    -------
    list of str
        One warning, or none.
    """
    if not edges:
        return []
    ends: dict[str, list[str]] = {}
    for edge in edges:
        low = parse(edge.edge, edge.kind) < parse(edge.now, edge.kind)
        said = f"{'down' if low else 'up'} to {_said(edge, edge.edge, units)}"
        ends.setdefault(f"{edge.key} ({_said(edge, edge.now, units)})", []).append(said)
    bears = "; ".join(f"{key} {' and '.join(said)}" for key, said in ends.items())
    at = display(speed_mm_s, "speed", units=units, digits=3)
    return [
        f"Near the edge of what is accepted at {at} in closed form, each with all others held: "
        f"{bears}. feedsim tune finds values that bear more."
    ]


def _said(edge: Edge, text: str, units: System) -> str:
    return display(parse(text, edge.kind), edge.kind, units=units, digits=4)
