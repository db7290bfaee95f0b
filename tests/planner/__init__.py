"""Tests of the optimiser: exact on small markets, bounded on large ones."""
