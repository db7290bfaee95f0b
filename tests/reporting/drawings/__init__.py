"""Tests of the drawings of pages."""
