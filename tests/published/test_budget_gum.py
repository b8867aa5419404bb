"""The error budget as the GUM has it: contributions and their sum against published figures."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from GTC import reporting, type_b, ureal

from feedsim.machine import Controller, Encoder, Eye, Inserts
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.sources import Shape, Source, combined_sd, placement_sources
from tests.machines import machine, settings, spread_carriers, spread_feeder


def end_gauge() -> list[Source]:
    """Return the sources of GUM H.1, lengths in nm where the budget says mm.

    JCGM 100:2008, H.1: l = ls + d − ls·(δα·θ + αs·δθ), ls = 50 000 623 nm, αs = 11.5e-6 1/°C,
    mean deviation of temperature θ = −0.1 °C.
    """
    ls, alpha, theta = 50_000_623.0, 11.5e-6, -0.1

    def line(name: str, shape: Shape, u: float, c: float) -> Source:
        return Source(name, "carrier", name, "mm", shape, None, u, c)

    return [
        line("standard", "normal", 25.0, 1.0),
        line("repeated observations", "normal", 5.8, 1.0),
        line("comparator, random", "normal", 3.9, 1.0),
        line("comparator, systematic", "normal", 6.7, 1.0),
        line("difference of expansion", "rectangular", type_b.uniform(1e-6), -ls * theta),
        line("difference of temperature", "rectangular", type_b.uniform(0.05), -ls * alpha),
    ]


def test_the_end_gauge_of_the_gum() -> None:
    # JCGM 100:2008, table H.1: 25, 9.7, 2.9 and 16.6 nm, combined standard uncertainty 32 nm
    found = {source.name: source.contribution_mm for source in end_gauge()}
    assert found["standard"] == 25.0
    d = [value for name, value in found.items() if name.startswith(("repeated", "comparator"))]
    assert math.hypot(*d) == pytest.approx(9.7, abs=0.05)
    assert found["difference of expansion"] == pytest.approx(2.9, abs=0.05)
    assert found["difference of temperature"] == pytest.approx(16.6, abs=0.05)
    assert combined_sd(end_gauge()) == pytest.approx(32.0, abs=0.5)


def test_without_the_temperature_the_end_gauge_would_be_another() -> None:
    left = [source for source in end_gauge() if source.name != "difference of temperature"]
    assert combined_sd(left) != pytest.approx(32.0, abs=0.5)


@pytest.mark.parametrize("scanned", [False, True])
@pytest.mark.parametrize("ratio", [1.0, 1.25])
def test_each_contribution_is_that_of_the_gum_tree_calculator(ratio: float, scanned: bool) -> None:
    # Uncertainty components |∂y/∂x|·u(x) of JCGM 100:2008, 5.1.3, by GTC's own differentiation of
    # the placement error as a model of times and lengths; sensitivities from there as well
    eye = Eye(response_s=0.0005, response_jitter_s=0.0003, edge_sd_mm=0.08, scanned=scanned)
    line = machine(
        spread_feeder(
            eye=replace(eye, edge_sd_mm=0.2, response_jitter_s=0.0002),
            inserts=Inserts(85.6, 250.0, slip_mm=5.0, slip_sd_mm=0.2),
            settings=settings(speed_ratio=ratio),
        ),
        speed_m_min=53.0,
        carriers=spread_carriers(pitch_mm=600.0, slip_sd_mm=0.1),
        carrier_eye=eye,
        controller=Controller(scan_s=0.002, motion_cycle_s=0.001),
        # of a scanned eye count and tick are no independent parts (tests/theory)
        encoder=Encoder(0.0 if scanned else 0.4),
    )
    v = line.line.speed_mm_s
    # slips so far from 0 that none is clipped: normal
    x = {
        "carrier eye edge": ureal(0.0, 0.08, label="carrier eye edge"),
        "carrier eye jitter": ureal(0.0, type_b.uniform(0.0003), label="carrier eye jitter"),
        "insert eye edge": ureal(0.0, 0.2, label="insert eye edge"),
        "insert eye jitter": ureal(0.0, type_b.uniform(0.0002), label="insert eye jitter"),
        "carrier slip": ureal(0.0, 0.1, label="carrier slip"),
        "insert slip": ureal(5.0, 0.2, label="insert slip"),
    }
    counts = () if scanned else ("carrier eye count", "insert eye count")
    x |= {name: ureal(0.0, type_b.uniform(0.2), label=name) for name in counts}
    ticks = ("carrier eye scan", "insert eye scan") if scanned else ("closing tick", "opening tick")
    half = 0.001 if scanned else 0.0005
    x |= {name: ureal(0.0, type_b.uniform(half), label=name) for name in ticks}
    closing = x["carrier eye edge"] + x.get("carrier eye count", 0.0)
    closing += v * (x["carrier eye jitter"] + x[ticks[0]])
    opening = x["insert eye edge"] / ratio + x.get("insert eye count", 0.0)
    opening += v * (x["insert eye jitter"] + x[ticks[1]])
    error = closing - opening - x["carrier slip"] + x["insert slip"] / ratio

    theirs = {component.label: component.u for component in reporting.budget(error, trim=0)}
    found = placement_sources(FeederAtSpeed(line, line.feeders[0], v))
    ours = {source.name: source.contribution_mm for source in found}
    assert ours == pytest.approx(theirs, rel=1e-9)
    assert combined_sd(found) == pytest.approx(error.u, rel=1e-9)
    slopes = {name: reporting.sensitivity(error, quantity) for name, quantity in x.items()}
    assert {s.name: s.sensitivity_mm_per_unit for s in found} == pytest.approx(slopes, rel=1e-9)
