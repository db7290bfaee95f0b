"""Tests of how rows are shaped, refused and corrected."""
