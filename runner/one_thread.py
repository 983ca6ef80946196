"""Keeps linear algebra on one thread.

The arrays of this program are tall and thin: threads of the BLAS library wait for each other
twice as long as they work. Call before numpy is loaded; whoever has set the variable himself
is left alone.
"""

from __future__ import annotations

import os

__all__ = ["one_thread"]


def one_thread() -> None:
    """Ask OpenBLAS, MKL and OpenMP for one thread, unless the user has asked for others."""
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
