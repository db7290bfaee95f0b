"""Arithmetic on calendar months written as text, such as 2026-10."""

from __future__ import annotations

from datetime import date


def month_of(day: date) -> str:
    """The month a date is in."""
    return f"{day:%Y-%m}"


def month_before(month: str, count: int = 1) -> str:
    """The month ``count`` months earlier."""
    year, number = divmod(int(month[:4]) * 12 + int(month[5:]) - 1 - count, 12)
    return f"{year:04d}-{number + 1:02d}"
