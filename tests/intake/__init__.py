"""Tests of how files are read, shaped and checked."""
