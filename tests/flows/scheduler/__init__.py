"""Tests of Prefect around a refresh: its server, its runs, the nightly schedule."""
