"""Tests of vendors' terms and the landed cost, in exact arithmetic."""
