"""``python -m tests.performance``: see :mod:`tests.performance.command_line`."""

from __future__ import annotations

import os
import sys

# before numpy is loaded: BLAS threads that wait for a busy core blur every ratio
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.performance.command_line import main  # noqa: E402 - numpy reads the variables above when it is loaded

if __name__ == "__main__":
    sys.exit(main())
