"""Tests of what may be said of costs."""
