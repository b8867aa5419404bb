"""One thread for linear algebra.

The matrices of the closed forms have some hundred rows: more threads would only wait for each
other, each occupying a core.
"""

from __future__ import annotations

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Environment variables that keep the libraries below NumPy and SciPy to one thread."""
