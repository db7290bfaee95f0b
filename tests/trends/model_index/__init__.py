"""Tests of the monthly price index of a model."""
