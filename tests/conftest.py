"""What all tests share."""

from hypothesis import settings

# Tests run on slow and busy machines: how long one example takes is for tests/benchmarks to measure.
settings.register_profile("kitfare", deadline=None)
settings.load_profile("kitfare")
