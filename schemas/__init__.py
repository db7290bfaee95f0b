"""Contracts: every column defined once, every table a list of them."""
