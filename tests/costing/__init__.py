"""Tests of what a model costs and of how its purchases are planned."""
