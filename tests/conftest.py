"""Tests run on two workers; each keeps to one thread, as the jobs of a series do. `test_threads` looks at more."""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
