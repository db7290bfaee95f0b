"""Tests of the contracts of tables."""
