"""Refreshes that are killed, starved and misled, and what is left of the workspace."""
