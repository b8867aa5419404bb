"""The normal law's closed forms, held to scipy.stats and to numerical integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from feedsim.probability.normal import density, kept_of_wave, normal_wave


def test_the_density_is_that_of_a_library() -> None:
    z = np.linspace(-6.0, 6.0, 25)
    np.testing.assert_allclose(density(z), norm.pdf(z), rtol=1e-14)
    assert [density(x) for x in z.tolist()] == pytest.approx(norm.pdf(z).tolist(), rel=1e-14)


@pytest.mark.parametrize("sd", [0.05, 0.4, 1.3])
def test_what_a_spread_leaves_of_a_wave_is_the_mean_of_the_wave(sd: float) -> None:
    period = 2.5
    turn = 2.0 * math.pi / period
    mean, _ = quad(lambda x: math.cos(turn * x) * norm.pdf(x, scale=sd), -9.0 * sd, 9.0 * sd)
    assert kept_of_wave(turn * sd) == pytest.approx(mean, rel=1e-10)
    assert kept_of_wave(np.array([turn * sd, 0.0])) == pytest.approx([mean, 1.0], rel=1e-10)


def test_the_wave_is_the_mean_of_both_its_parts() -> None:
    w, mean, sd = 1.7, 0.8, 0.6
    law = norm(mean, sd)
    parts = [
        quad(lambda x, part=part: part(w * x) * law.pdf(x), mean - 9.0 * sd, mean + 9.0 * sd)[0]
        for part in (math.cos, math.sin)
    ]
    found = normal_wave(np.array([w]), mean=mean, sd=sd)[0]
    assert [found.real, found.imag] == pytest.approx(parts, rel=1e-10)
