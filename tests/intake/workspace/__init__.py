"""Tests of how the files of a workspace are read and checked."""
