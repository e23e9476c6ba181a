"""The tests. Matrices are small: numpy gets one thread, as on the command line, before anything imports it."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
