"""Tests of the refresh as a whole, by itself and under Prefect."""
