"""Where a change in cost comes from, on a model's page: each part with its range, a sign only where it is sure."""

from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.page_tables import NO_CLEAR_CHANGE
from pipelines.reporting.basis.words import CHANGE_PARTS
from pipelines.reporting.month.model_report import model_report
from tests.builders.published.sample_scene import Night
from tests.present import present


def _report_of(page_data: PageData) -> dict[str, Any]:
    """The first model's page of the latest month, for the buyer at home."""
    values: dict[str, Any] = present(model_report(page_data, page_data.models[0], "2026-11"))["sections"][0]
    return values


def test_parts_of_the_change_in_cost_and_their_ranges_add_up(night: Night) -> None:
    """Prices by 1.50, and a choice of -0.20 that may be anything from -0.90 to 0.40: together 0.60 to 1.90, a rise."""
    parts = {"prices": ("1.50", "1.50", "1.50"), "choice": ("-0.20", "-0.90", "0.40")}
    table = _report_of(_with_changes(night, parts))["changed"]
    assert [column.label for column in table.columns] == ["From", "Change", "Between"]
    assert table.rows == (
        (CHANGE_PARTS["prices"], "+1.50", "+1.50"),
        (CHANGE_PARTS["choice"], NO_CLEAR_CHANGE, "\u22120.90 to +0.40"),
        ("Together", "+1.30", "+0.60 to +1.90"),
    )
    nearer = {"prices": ("0.50", "0.50", "0.50"), "choice": parts["choice"]}
    assert _report_of(_with_changes(night, nearer))["changed"].rows[-1][1:] == (NO_CLEAR_CHANGE, "\u22120.40 to +0.90")


def _with_changes(night: Night, parts: dict[str, tuple[str, str, str]], is_break: bool = False) -> PageData:
    """The night with other changes of the cheapest mix of the model m00: its parts, each with its least and its most."""
    tables, inputs = night
    of_plan = (pl.col("model_code") == "m00") & (pl.col("scenario_code") == "cheapest")
    row = tables["cost_change"].filter(of_plan & (pl.col("buyer_code") == "inland")).sort("priced_on").tail(1)
    amounts = ("cost_change", "cost_change_low", "cost_change_high")
    rows = [
        row.with_columns(
            change_part=pl.lit(part),
            is_break=is_break,
            **{
                name: pl.lit(Decimal(value)).cast(row.schema[name]) for name, value in zip(amounts, values, strict=True)
            },
        )
        for part, values in parts.items()
    ]
    return PageData({**tables, "cost_change": pl.concat([tables["cost_change"].filter(~of_plan), *rows])}, inputs)


def test_a_break_is_said(night: Night) -> None:
    parts = {"list": ("1.50", "1.50", "1.50")}
    words = _report_of(_with_changes(night, parts, is_break=True))["changed_words"]
    assert (
        words[-1]
        == "Since 31 October 2026 the parts list or our decisions changed: the two costs are not of the same thing."
    )
    assert len(_report_of(_with_changes(night, parts))["changed_words"]) == 1
