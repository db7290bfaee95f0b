"""Tests of looking after a workspace."""
