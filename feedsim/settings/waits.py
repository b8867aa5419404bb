"""How long carriers wait for a feeder, each wait handed on to the next (Lindley's recursion)."""

from __future__ import annotations

import math

__all__ = ["long_waits", "long_waits_random"]


def long_waits(limit: float, *, drift: float, sd: float) -> float:
    """Return the share of waits beyond a limit, steps of the recursion normal(−drift, sd).

    exp(−θ·(limit + 0.5826·sd)) with θ = 2·drift/sd²: the corrected diffusion approximation
    (Siegmund 1979, Advances in Applied Probability 11:701-719, from memory).

    Parameters
    ----------
    limit, drift, sd : float
        mm; ``drift`` by how much a carrier comes later than the feeder is ready, on average.
    """
    if drift <= 0.0:
        return 1.0
    if sd == 0.0:
        return 0.0
    theta = 2.0 * drift / (sd * sd)
    return math.exp(-theta * (limit + 0.5826 * sd))


def long_waits_random(limit: float, *, service: float, mean_gap: float) -> float:
    """Return the share of waits beyond a limit behind exponential gaps and an equal service.

    With ρ = D/m the waits not beyond x have the share
    (1 − ρ)·Σ ((k·D − x)/m)^k/k!·e^((x − k·D)/m), k from 0 to x/D (Erlang 1909; M/D/1 in any text
    on queues, from memory). Where that is many terms, the share is far below any that matters
    unless ρ is near 1, and Lundberg's bound e^(−θx), e^(θD) = 1 + θm, stands for it.

    Parameters
    ----------
    limit, service, mean_gap : float
        x, D and m (mm of belt travel).
    """
    if service <= 0.0:
        return 0.0
    rho = service / mean_gap
    if rho >= 1.0:
        return 1.0
    if limit > 8.0 * service:
        from scipy.optimize import brentq

        most = 1e3 / service
        theta = brentq(lambda x: x * service - math.log1p(x * mean_gap), 1e-9, most)
        return math.exp(-float(theta) * limit)
    terms = range(int(limit / service) + 1)
    reached = ((k, (k * service - limit) / mean_gap) for k in terms)
    return 1.0 - (1.0 - rho) * sum(y**k / math.factorial(k) * math.exp(-y) for k, y in reached)
