"""Settings of watches: what to report after a refresh, and where the results go."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import Field, model_validator

from pipelines.settings_base import ExactDecimal, Strict


class Watch(Strict):
    """Something to report after a refresh."""

    watch_code: str = Field(description="Short name for tables and messages.", examples=["crane_is_cheap"])
    kind: Literal["model_below", "line_scarce", "vendor_changes_model"] = Field(
        description="model_below: a model costs less than amount. line_scarce: an element of a model is hard to get. "
        "vendor_changes_model: one vendor's new prices, stock or terms change a model's cost.",
        examples=["line_scarce"],
    )
    model_codes: list[str] = Field([], description="The models to watch; empty: all.")
    buyer_codes: list[str] = Field([], description="The buyers to watch for; empty: all.")
    amount: ExactDecimal | None = Field(
        None, gt=0, description="model_below: report a complete cost below this, in the buyer's currency."
    )
    scenario_code: str = Field("cheapest", description="model_below: the scenario_code of the way of buying.")
    vendor_count: int = Field(
        2,
        ge=1,
        le=10_000,
        description="line_scarce: report an element that fewer vendors than this offer, that all together can't fill, or that is "
        "running out.",
    )
    change_pct: ExactDecimal = Field(
        Decimal(3),
        gt=0,
        description="vendor_changes_model: report a change in the model's cost of more than this, in per cent.",
    )

    @model_validator(mode="after")
    def _amount_is_given(self) -> Watch:
        if self.kind == "model_below" and self.amount is None:
            raise ValueError("a watch of the kind model_below needs an amount")
        return self


class WatchNews(Strict):
    """Where the results of watches go; nothing is sent over a network."""

    file: str = Field(
        "",
        description="File to write the results to after each new refresh, as JSON; a path within the workspace. Empty: none.",
    )
    command: list[str] = Field(
        [],
        description="Program and arguments to run when a watch reports something new. It gets the same JSON on its standard input, "
        "starts in the workspace, and runs without a shell.",
    )
    command_seconds: int = Field(60, ge=1, le=3600, description="Seconds after which that program is stopped.")
