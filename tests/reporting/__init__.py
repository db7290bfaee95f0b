"""Tests of the pages, charts and files that are published."""
