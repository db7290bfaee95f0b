"""Tests of the price history and of what is published from it."""
