"""The settings of refreshes: what they compute, what their pages show, how Prefect runs them."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, field_validator

from pipelines.settings_base import BaseUrl, Effort, Strict
from schemas.contract import FIRST_PRICE_DAY, LAST_PRICE_DAY


class RefreshSettings(Strict):
    """What a refresh computes."""

    priced_on: Literal["today", "latest_export"] | date = Field(
        "today",
        description="The date to price: today, latest_export (the latest date on which at least half of the usual vendors have prices that "
        "are not stale), or a date.",
    )
    stale_after_days: int = Field(
        30,
        ge=1,
        le=36_500,
        description="An offer that no price export has confirmed for this many days can't be bought; its price is unknown.",
    )
    months_back: int = Field(
        24, ge=0, le=240, description="How many month ends before the priced date have prices and indices."
    )
    effort: Effort = Field("standard", description="How hard to search for cheaper plans: quick, standard or deep.")
    planned_months_back: int = Field(12, ge=0, le=240, description="How many of these month ends are planned as well.")
    past_scenarios: list[str] = Field(
        ["listed", "cheapest"], description="The scenarios that are planned for past month ends as well."
    )
    copy_counts: list[Annotated[int, Field(ge=1, le=100)]] = Field(
        [1, 2, 3], description="Numbers of copies whose costs the pages compare. The model's copy_count is added."
    )
    planned_lines: int = Field(
        3, ge=0, le=1000, description="For so many flexible lines of a model what they save is planned, not estimated."
    )
    workers: int = Field(2, ge=1, le=64, description="How many plans are made at once; each needs a processor core.")
    expected_every_hours: int = Field(
        26,
        ge=0,
        le=10000,
        description="A refresh is overdue if none has succeeded for so many hours. 0: never overdue.",
    )
    keep_generations: int = Field(
        3, ge=2, le=100, description="How many published generations stay on disk, the newest one included."
    )
    inbox_quiet_seconds: float = Field(
        5,
        ge=0,
        le=600,
        description="A file in inbox/ that changes within so many seconds is not whole yet: it waits for the next refresh.",
    )
    keep_taken_days: int = Field(
        90,
        ge=1,
        le=36500,
        description="How many days a file stays in taken/ after it was taken in. The archive keeps its content for good.",
    )
    keep_plans_days: int = Field(
        90,
        ge=1,
        le=36500,
        description="`kitfare prune` removes kept plans that no refresh has used for so many days; they can be made again.",
    )
    keep_old_warehouse_days: int = Field(
        30,
        ge=0,
        le=36500,
        description="`kitfare prune` removes the old warehouse that a rebuild left, after so many days.",
    )

    @field_validator("priced_on")
    @classmethod
    def _can_be_calculated_with(cls, value: str | date) -> str | date:
        if isinstance(value, date) and not FIRST_PRICE_DAY <= value <= LAST_PRICE_DAY:
            raise ValueError(f"{value} is not from {FIRST_PRICE_DAY} to {LAST_PRICE_DAY}")
        return value


class ReportSettings(Strict):
    """What the pages show."""

    title: str = Field("What the models cost", description="Title of the index page.")
    coverage_floor: float = Field(
        0.8, ge=0, le=1, description="An index or cost is shown only if at least this share of it has a price."
    )
    mover_count: int = Field(
        5, ge=1, le=10_000, description="How many rises and how many falls the monthly report lists."
    )
    months_with_model_pages: int = Field(
        25, ge=1, le=10_000, description="The latest months with a report page per model; older ones have one for all."
    )
    base_url: BaseUrl = Field(
        "", description="Where public/ is uploaded to: https://example.org/costs. Empty: no tags for links to pages."
    )
    public_words: list[str] = Field(
        [], description="Words that public pages may use although a private list has a part of that code or name."
    )
    publish_vendors: Literal["named", "lettered"] = Field(
        "named", description="How public pages call vendors: by name, or lettered (vendor A, vendor B)."
    )
    running_out_months: int = Field(
        6,
        ge=1,
        le=60,
        description="An element is running out if its stock clearly falls and, at that pace, won't cover the need in so many months.",
    )
    reuse: str = Field(
        "Estimates: quote them with their date.",
        description="How the published figures may be quoted: a sentence for the public pages and data; empty: not stated.",
    )


class PrefectSettings(Strict):
    """How refreshes run that Prefect records."""

    step_timeout_seconds: int = Field(
        21600,
        ge=1,
        le=2_592_000,
        description="A try of a step that takes longer is stopped, and the refresh fails. The default is 6 hours.",
    )
    dashboard: bool = Field(
        False,
        description="Whether the workspace's Prefect server serves Prefect's dashboard as well, to this machine alone; they ask for the secret in .prefect/server.json. Its pages come "
        "from the installed package, but what they load does not (read in the source of Prefect 3.9.1): pages about blocks and "
        "integrations load logos from raw.githubusercontent.com and images.ctfassets.net; pages about work pools and collections of flows have the server fetch "
        "lists from raw.githubusercontent.com; the form to join a mailing list is sent to getform.io. Usage reports to amplitude.com stay off.",
    )
