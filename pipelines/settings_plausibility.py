"""Settings of the check of price exports: from when on an export waits for a person."""

from __future__ import annotations

from pydantic import Field

from pipelines.settings_base import Strict


class PlausibilitySettings(Strict):
    """When a price export that is well formed is not believed."""

    days_ahead: int = Field(
        90,
        ge=1,
        description="An export waits if its date is more days than this after its vendor's last export and after those of most "
        "other vendors.",
    )
    days_behind: int = Field(
        365,
        ge=1,
        description="An export waits if its date is more days than this before its vendor's first export and before those of "
        "most other vendors.",
    )
    days_late: int = Field(
        31,
        ge=1,
        description="An export is reported if its date is more days than this before its vendor's last export.",
    )
    offers_gone_pct: float = Field(
        30,
        gt=0,
        le=100,
        description="A full export waits if more than this share of its vendor's usual number of elements is gone, in per cent; "
        "where fewer than 5 are gone, only if that is over half.",
    )
    growth_factor: float = Field(
        3,
        gt=1,
        description="A full export waits if it lists more than so many times its vendor's usual number of elements.",
    )
    price_level_factor: float = Field(
        1.5,
        gt=1,
        description="An export waits if its prices are so many times those of its vendor's export before, or that part of them "
        "(median). Where fewer than 5 elements can be compared, only from 9 times on.",
    )
    market_level_factor: float = Field(
        4,
        gt=1,
        description="The same against other vendors' prices, for an export with little in common with its vendor's export before.",
    )
    far_moved_factor: float = Field(
        3, gt=1, description="A price that is so many times the one before, or that part of it, has moved far."
    )
    far_moved_pct: float = Field(
        5,
        gt=0,
        le=100,
        description="An export waits if over this share of its prices, and at least 5, have moved far, in per cent.",
    )
    rising_steps_pct: float = Field(
        5,
        ge=0,
        le=100,
        description="An export is reported if more pieces cost more each in over this share of its offers with price steps, in "
        "per cent, and its vendor's export before was not so. It waits if most of them, and at least 5, are so.",
    )
    new_codes_pct: float = Field(
        20,
        gt=0,
        le=100,
        description="A full export waits if over this share of its elements, and at least 5, have part or colour codes never seen, "
        "though its vendor had exports before, in per cent.",
    )
