"""Watches: which of those in the settings fired, by the tables of the refresh."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.money import round_money
from pipelines.settings_watches import Watch
from schemas.published.watches import WATCH_RESULT
from schemas.validate import polars_schema, validate_typed

Row = dict[str, Any]


@dataclass(frozen=True)
class Watched:
    """Tables that watches read: MODEL_COST of the priced date, ELEMENT_AVAILABILITY, VENDOR_CHANGE."""

    costs: pl.DataFrame
    elements: pl.DataFrame
    vendors: pl.DataFrame


def watch_results(inputs: WorkspaceInputs, watched: Watched) -> pl.DataFrame:
    """The table WATCH_RESULT: what fired, or one row that nothing did, for every watch, model and buyer.

    A watch that names an unknown model gets a row with that message.
    """
    known = {model.model_code: model.settings.title for model in inputs.models}
    rows: list[Row] = []
    for watch in inputs.settings.watch:
        buyers = watch.buyer_codes or [buyer.buyer_code for buyer in inputs.settings.buyer]
        for model_code in watch.model_codes or known:
            for buyer_code in buyers:
                key = {
                    "watch_code": watch.watch_code,
                    "model_code": model_code,
                    "buyer_code": buyer_code,
                    "watch_kind": watch.kind,
                    "watch_limit": _limit(watch),
                    "watch_subject": "",
                    "watched_value": None,
                    "is_fired": False,
                }
                if model_code not in known:
                    rows.append(
                        key | {"watch_message": f"There is no model {model_code}; correct the watch in kitfare.toml."}
                    )
                    continue
                found = [key | row for row in _KINDS[watch.kind](watch, model_code, buyer_code, watched)]
                rows += found
    frame = pl.DataFrame(
        [{name: row[name] for name in WATCH_RESULT.columns} for row in rows], polars_schema(WATCH_RESULT)
    )
    return validate_typed(WATCH_RESULT, frame.sort(WATCH_RESULT.key), where="watches")


def _limit(watch: Watch) -> float:
    if watch.kind == "model_below":
        return float(watch.amount or 0)
    return float(watch.vendor_count) if watch.kind == "line_scarce" else float(watch.change_pct)


def _model_below(watch: Watch, model_code: str, buyer_code: str, watched: Watched) -> Iterator[Row]:
    plans = watched.costs.filter(
        (pl.col("model_code") == model_code)
        & (pl.col("buyer_code") == buyer_code)
        & (pl.col("scenario_code") == watch.scenario_code)
    ).to_dicts()
    if not plans:
        yield {"watch_message": "There is no plan for this date."}
        return
    plan = plans[0]
    if plan["plan_status"] == "refused":
        yield {"watch_message": "The plan failed a check, so its cost is not looked at."}
        return
    money = plan["currency_code"]
    cost, estimate = (round_money(plan[name], money) for name in ("complete_cost", "unfilled_estimate"))
    if plan["unfilled_estimate_count"]:
        yield {
            "watch_message": f"Costs at least {cost:f} {money}; {plan['unfilled_estimate_count']} pieces have no price at all."
        }
        return
    is_below = watch.amount is not None and cost < watch.amount
    estimated = f", of which {estimate:f} is an estimate" if plan["unfilled_piece_count"] else ""
    yield {
        "is_fired": is_below,
        "watched_value": float(cost),
        "watch_message": f"Costs {cost:f} {money}{estimated}: {'below' if is_below else 'not below'} {watch.amount:f}.",
    }


def _line_scarce(watch: Watch, model_code: str, buyer_code: str, watched: Watched) -> Iterator[Row]:
    mine = watched.elements.filter((pl.col("model_code") == model_code) & (pl.col("buyer_code") == buyer_code))
    scarce = mine.filter(
        (pl.col("market_vendor_count") < watch.vendor_count) | (pl.col("fillable_share") < 1) | pl.col("is_running_out")
    )
    for row in scarce.sort("weakness_rank").iter_rows(named=True):
        yield {
            "watch_subject": f"{row['part_code']} {row['colour_code']}",
            "is_fired": True,
            "watched_value": float(row["market_vendor_count"]),
            "watch_message": scarce_words(row),
        }
    if not mine.height:
        yield {"watch_message": "The model has no parts list for this date."}
    elif not scarce.height:
        yield {
            "watch_message": f"Every element is offered by {watch.vendor_count} vendors or more, in the quantity needed."
        }


def scarce_words(row: Row) -> str:
    """What makes an element scarce, in words."""
    vendors, pieces, need = row["market_vendor_count"], row["buyable_piece_count"], row["needed_piece_count"]
    if not pieces:
        seen = f"last seen {row['last_seen_on']}" if row["last_seen_on"] is not None else "never seen"
        return f"Nobody offers it; {need} needed; {seen}."
    words = f"{pieces} on offer from {vendors} vendor{'s' if vendors != 1 else ''}; {need} needed"
    if row["is_running_out"]:
        latest = row["months_left_high"]
        words += f"; by its trend gone in about {row['months_left']:.1f} months ({row['months_left_low']:.1f} to {latest:.1f})"
    return words + "."


def _vendor_changes(watch: Watch, model_code: str, buyer_code: str, watched: Watched) -> Iterator[Row]:
    mine = watched.vendors.filter((pl.col("model_code") == model_code) & (pl.col("buyer_code") == buyer_code))
    prices, terms, limit = pl.col("vendor_effect_pct"), pl.col("terms_effect_pct"), float(watch.change_pct)
    # A vendor may raise both a little, or one against the other: each counts, and both together.
    most = pl.max_horizontal(prices.abs(), terms.abs(), (prices + terms).abs())
    mine = mine.with_columns(most=most).sort("most", "vendor_code", descending=[True, False])
    moving = mine.filter((pl.col("most") > limit) | (pl.col("terms_refusal") != ""))
    for row in moving.iter_rows(named=True):
        yield {
            "watch_subject": row["vendor_code"],
            "is_fired": True,
            "watched_value": row["vendor_effect_pct"] + row["terms_effect_pct"],
            "watch_message": f"{row['vendor_code']}, since {row['compared_on']}: {'; '.join(_moved_by(row))}.",
        }
    if not moving.height:
        first = mine.head(1).to_dicts()
        most_of_all = (
            f"; the most is {first[0]['vendor_effect_pct'] + first[0]['terms_effect_pct']:+.1f} %" if first else ""
        )
        yield {
            "watched_value": first[0]["vendor_effect_pct"] + first[0]["terms_effect_pct"] if first else None,
            "watch_message": f"No vendor's change moves what the model costs by more than {watch.change_pct:f} %{most_of_all}.",
        }


def _moved_by(row: Row) -> Iterator[str]:
    if row["vendor_effect_pct"]:
        elements = f"{row['moved_element_count']} element{'s' if row['moved_element_count'] != 1 else ''}"
        yield f"its new prices and stock change the parts' cost by {row['vendor_effect_pct']:+.1f} % ({elements})"
    if row["terms_effect_pct"]:
        yield f"its new terms change the cost of the cheapest mix by {row['terms_effect_pct']:+.1f} %"
    if row["terms_refusal"]:
        yield f"its new terms refuse the order of the earlier plan: {row['terms_refusal'].rstrip('.')}"


_KINDS: dict[str, Callable[[Watch, str, str, Watched], Iterator[Row]]] = {
    "model_below": _model_below,
    "line_scarce": _line_scarce,
    "vendor_changes_model": _vendor_changes,
}
