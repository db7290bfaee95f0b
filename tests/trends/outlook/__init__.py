"""Tests of availability, price changes and forecasts."""
