"""From a raw scan of a bare chassis to a car datum and labelled mounting points."""

import os

# Threads make the many small fits several times slower, and sums must not depend on how many there are.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
