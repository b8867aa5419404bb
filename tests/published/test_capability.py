"""Capability and standard uncertainties against printed values and a general library."""

import pytest
from scipy import stats

from feedsim.metrics.capability import capability
from feedsim.settings.nominal import rectangular_sd


def test_cp_and_cpk_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, sd 2.
    found = capability(16.0, 2.0, lower=8.0, upper=20.0)
    assert found.cp == pytest.approx(1.0, abs=0.05)
    assert found.cpk == pytest.approx(0.6667, abs=5e-5)


@pytest.mark.parametrize("half_width", [1.0, 0.4])
def test_standard_uncertainties_of_the_gum(half_width):
    # JCGM 100:2008 (GUM) 4.3.7; expected values from scipy.stats.
    a = half_width
    assert rectangular_sd(a) == pytest.approx(stats.uniform(-a, 2 * a).std(), rel=1e-9)
