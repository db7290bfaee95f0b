"""Tests of index numbers, forecasts and suspect prices."""
