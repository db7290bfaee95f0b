"""Tests of the price history: files loaded, folded, corrected, and seen as of a date."""
