"""Tests of the plans of a night: scenarios, tables, the cache."""
