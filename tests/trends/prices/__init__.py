"""Tests of element prices, movers and suspect prices."""
