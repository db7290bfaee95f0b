"""Tests of the guides: what they show is run."""
