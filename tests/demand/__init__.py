"""Tests of what a model needs on a date, and which elements fit."""
