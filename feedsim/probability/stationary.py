"""The stationary law of a Markov chain of many states."""

from __future__ import annotations

import numpy as np

from feedsim.arrays import Floats

_MOST_MOVES, _SETTLED = 20, 1e-15


def stationary(moved: Floats) -> Floats:
    """Return the stationary law, πM = π, Σπ = 1; overwrites ``moved``.

    If the feeder rests now and then, a few moves give it. Else, with share 1 at the node k where D
    was most often and rows and columns of the others, π(I − M) is row k of M: an M-matrix with a
    dominant diagonal, which is factored as it stands, without pivots (Golub and Van Loan, Matrix
    Computations, section 4.1, from memory). By SuperLU: dense solvers share the work among threads,
    and their last digits depend on how many there are.
    """
    np.maximum(moved, 0.0, out=moved)
    moved /= moved.sum(axis=1)[:, None]
    here = moved[0]
    for _ in range(_MOST_MOVES):
        before, here = here, np.einsum("i,ij", here, moved)
        if np.abs(here - before).sum() < _SETTLED:
            return np.asarray(here / here.sum(), dtype=np.float64)
    often = int(np.argmax(here))
    others = np.arange(len(moved)) != often
    among = moved[np.ix_(others, others)]
    np.fill_diagonal(among, 0.0)
    leave = among.sum(axis=1) + moved[others, often]
    found = np.insert(_solved(np.diag(leave) - among, moved[often, others]), often, 1.0)
    return np.asarray(found / found.sum(), dtype=np.float64)


def _solved(matrix: Floats, right: Floats) -> Floats:
    """Return x with x·matrix = right (by definition)."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.linalg import splu

    factors = splu(csr_matrix(matrix).T, permc_spec="NATURAL", diag_pivot_thresh=0.0)
    return np.asarray(factors.solve(right), dtype=np.float64)
