"""Settings of watches: what to be told about after a refresh, and where the news go."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import Field, model_validator

from pipelines.settings_base import ExactDecimal, Strict


class Watch(Strict):
    """Something to be told about after a refresh."""

    watch_code: str = Field(description="short name used in tables and news", examples=["crane_is_cheap"])
    kind: Literal["model_below", "line_scarce", "vendor_changes_model"] = Field(
        description="model_below: a model costs less than amount; line_scarce: an element of its list gets scarce; "
        "vendor_changes_model: one vendor's new prices, stock or terms move a model",
        examples=["line_scarce"],
    )
    model_codes: list[str] = Field([], description="the models watched; empty for all")
    buyer_codes: list[str] = Field([], description="the buyers watched for; empty for all")
    amount: ExactDecimal | None = Field(
        None, gt=0, description="model_below: tell when the complete cost is below this, in the buyer's currency"
    )
    scenario_code: str = Field("cheapest", description="model_below: the way of buying")
    vendor_count: int = Field(
        2,
        ge=1,
        description="line_scarce: tell when fewer vendors than this offer an element, when all together can't fill its need, or "
        "when it is running out",
    )
    change_pct: ExactDecimal = Field(
        Decimal(3),
        gt=0,
        description="vendor_changes_model: tell when what the model costs moves by more than this, in per cent",
    )

    @model_validator(mode="after")
    def _amount_is_given(self) -> Watch:
        if self.kind == "model_below" and self.amount is None:
            raise ValueError("a watch of the kind model_below needs an amount")
        return self


class WatchNews(Strict):
    """Where the news of watches goes; nothing is sent over a network."""

    file: str = Field(
        "",
        description="file the watches that fired are written to after each new refresh, as JSON, from the workspace's folder; "
        "empty for none",
    )
    command: list[str] = Field(
        [],
        description="program and arguments to run when a watch fired that had not in the refresh before; it is given the same "
        "JSON on its standard input and starts in the workspace's folder, without a shell",
    )
    command_seconds: int = Field(60, ge=1, le=3600, description="seconds after which the command is stopped")
