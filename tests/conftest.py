"""Settings of all tests."""

from hypothesis import settings

# A busy machine is no failure: tests of speed measure it themselves.
settings.register_profile("truebead", deadline=None)
settings.load_profile("truebead")
