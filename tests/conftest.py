"""Settings of all tests."""

import os

# The matrices are small: threads only get into each other's way. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

# A busy machine is no failure: tests of speed measure it themselves.
settings.register_profile("truebead", deadline=None)
settings.load_profile("truebead")
