"""One thread for linear algebra.

The matrices of the closed forms have some hundred rows: threads of their own only wait for each
other, and take a core each while they do.
"""

from __future__ import annotations

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Asks the libraries below NumPy and SciPy to start no threads of their own."""
