"""Tests of whether exports are believed."""
