"""One thread for linear algebra, as in the command: on small matrices more threads only fight each other."""

from __future__ import annotations

import os
import sys

if "numpy" not in sys.modules:  # it reads these once, when it is loaded
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
