"""Benchmarks: long runs that print figures for a person to read. Nothing here is collected by pytest.

Arithmetic libraries are held to one thread, so that a time is that of one core.
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
