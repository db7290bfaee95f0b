"""Tests of the demo and of how its inputs are made."""
