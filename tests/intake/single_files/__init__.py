"""Tests of the files of commands that need no workspace."""
