"""The nonlinear fitter against certified values.

NIST Statistical Reference Datasets, nonlinear regression: Misra1a (lower difficulty), Lanczos3
(lower), MGH09 (higher), each from both starts given there. Data and certified values are from
memory. That they are right shows in themselves: the residual sum of squares and all standard
deviations come out as certified, to the digits asked for, which no slip in the data would leave so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from feedsim.answers.learn.study import followed, following
from feedsim.answers.learn.study.fits import NonlinearFit, nonlinear_fit

SIX_DIGITS = 1e-6  # a log relative error of 6 (McCullough 1998, from memory)


@dataclass(frozen=True)
class Certified:
    """A data set of NIST StRD."""

    x: np.ndarray
    y: np.ndarray
    model: Callable[[np.ndarray, np.ndarray], np.ndarray]
    starts: tuple[tuple[float, ...], tuple[float, ...]]
    values: tuple[float, ...]
    sds: tuple[float, ...]
    squares: float

    def fit(self, start: tuple[float, ...]) -> NonlinearFit:
        """Fit it."""
        return nonlinear_fit(lambda b: self.y - self.model(b, self.x), np.array(start))


MISRA1A = Certified(
    x=np.array(
        [
            *(77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8),
            *(378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0),
        ]
    ),
    y=np.array(
        [
            *(10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02),
            *(44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78),
        ]
    ),
    model=lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    starts=((500.0, 1e-4), (250.0, 5e-4)),
    values=(2.3894212918e2, 5.5015643181e-4),
    sds=(2.7070075241, 7.2668688436e-6),
    squares=1.2455138894e-1,
)
MGH09 = Certified(
    x=np.array([4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]),
    y=np.array(
        [
            *(0.1957, 0.1947, 0.1735, 0.1600, 0.0844, 0.0627),
            *(0.0456, 0.0342, 0.0323, 0.0235, 0.0246),
        ]
    ),
    model=lambda b, x: b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]),
    starts=((25.0, 39.0, 41.5, 39.0), (0.25, 0.39, 0.415, 0.39)),
    values=(1.9280693458e-1, 1.9128232873e-1, 1.2305650693e-1, 1.3606233068e-1),
    sds=(1.1435312227e-2, 1.9633220911e-1, 8.0842031232e-2, 9.0025542308e-2),
    squares=3.0750560385e-4,
)
LANCZOS3 = Certified(
    x=0.05 * np.arange(24),
    y=np.array(
        [
            *(2.5134, 2.0443, 1.6684, 1.3664, 1.1232, 0.9269, 0.7679, 0.6389),
            *(0.5338, 0.4479, 0.3776, 0.3197, 0.2720, 0.2325, 0.1997, 0.1723),
            *(0.1493, 0.1301, 0.1138, 0.1000, 0.0883, 0.0783, 0.0698, 0.0624),
        ]
    ),
    model=lambda b, x: (
        b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)
    ),
    starts=((1.2, 0.3, 5.6, 5.5, 6.5, 7.6), (0.5, 0.7, 3.6, 4.2, 4.0, 6.3)),
    values=(
        *(8.6816414977e-2, 9.5498101505e-1, 8.4400777463e-1),
        *(2.9515951832, 1.5825685901, 4.9863565084),
    ),
    sds=(
        *(1.7197908859e-2, 9.7041624475e-2, 4.1488663282e-2),
        *(1.0766312506e-1, 5.8371576281e-2, 3.4436403035e-2),
    ),
    squares=1.6117193594e-8,
)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("data", [MISRA1A, MGH09, LANCZOS3], ids=["misra1a", "mgh09", "lanczos3"])
def test_certified_values(data: Certified, start: int) -> None:
    fit = data.fit(data.starts[start])
    assert fit.values == pytest.approx(data.values, rel=SIX_DIGITS)
    assert fit.sds == pytest.approx(data.sds, rel=SIX_DIGITS)
    assert fit.squares == pytest.approx(data.squares, rel=SIX_DIGITS)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("data", [MISRA1A, MGH09], ids=["misra1a", "mgh09"])
def test_certified_values_within_bounds(data: Certified, start: int) -> None:
    """As ramps and servo are fitted: by the same function, each value within bounds."""
    for module in (followed, following):
        assert vars(module)["nonlinear_fit"] is nonlinear_fit
    count = len(data.values)
    fit = nonlinear_fit(
        lambda b: data.y - data.model(b, data.x),
        np.array(data.starts[start]),
        bounds=(np.zeros(count), np.full(count, 1e4)),
    )
    assert fit.values == pytest.approx(data.values, rel=SIX_DIGITS)


def test_one_digit_wrong_in_the_data_does_not_pass() -> None:
    wrong = MISRA1A.y.copy()
    wrong[5] += 0.01
    off = Certified(**{**MISRA1A.__dict__, "y": wrong})
    fit = off.fit(off.starts[1])
    assert fit.values != pytest.approx(MISRA1A.values, rel=SIX_DIGITS)


def test_groups_of_one_give_the_spread_of_the_residuals_themselves() -> None:
    # White 1980: (JᵀJ)⁻¹·Σ rᵢ²·JᵢJᵢᵀ·(JᵀJ)⁻¹; of a mean that is Σ r²/n², times n/(n − 1) here
    y = np.array([1.0, 2.0, 4.0, 5.0])
    fit = nonlinear_fit(lambda b: y - b[0], np.array([1.0]))
    sds, groups = fit.grouped_sds(np.arange(4))
    assert groups == 4
    assert sds[0] == pytest.approx(np.std(y, ddof=1) / 2.0, rel=1e-6)
    together, _ = fit.grouped_sds(np.array([0, 0, 1, 1]))
    # two groups of sums −3 and +3 about the mean 3: √(2·(9 + 9))/4
    assert together[0] == pytest.approx(1.5, rel=1e-6)
