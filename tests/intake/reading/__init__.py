"""Tests of how files of any kind become text with positions."""
