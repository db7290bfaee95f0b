"""Tests of price indices as formulas."""
