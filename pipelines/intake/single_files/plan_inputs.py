"""The tables of a workspace, made from the files of ``kitfare plan``.

Every row applies to any region and any date. Each vendor gets a region of its own, so that duty and clearance, which a
workspace states per region, can differ by vendor.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from pipelines.inputs import exchange_rate_on
from pipelines.intake.single_files.plan_checks import PlanFile
from pipelines.settings import Buyer
from schemas.all_tables import WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.inputs.catalogue import COLOURS, PARTS
from schemas.inputs.vendors import (
    BORDER_CHARGES,
    EXCHANGE_RATES,
    HANDLING_CHARGES,
    SHIPPING_STEPS,
    VENDOR_CLOSURES,
    VENDOR_TERMS,
    VENDORS,
)
from schemas.validate import empty_frame, polars_schema

_ALWAYS = date(1900, 1, 1)
_SIZES = {"weight_grams": "weight", "largest_dimension_mm": "size"}


def vendor_currencies(terms: PlanFile, offers: pl.DataFrame) -> dict[str, str]:
    """The currency of each vendor's terms: as stated, else that of its offers. Vendors without offers are left out."""
    offered = offers.group_by("vendor_code").agg(pl.col("currency_code").first().alias("_offered"))
    pairs = (
        terms.frame.join(offered, on="vendor_code")
        .select("vendor_code", pl.coalesce("currency_code", "_offered"))
        .sort("vendor_code")
    )
    return dict(pairs.iter_rows())


def exchange_rates(rates: pl.DataFrame, day: date) -> pl.DataFrame:
    """EXCHANGE_RATES of the day: the latest rate of each two currencies, whatever its date and direction."""
    two = pl.concat_list("from_currency_code", "to_currency_code").list.sort().list.join("-")
    latest = rates.filter(pl.col("rate_on") == pl.col("rate_on").max().over(two))
    return latest.with_columns(pl.lit(day).alias("rate_on")).select(EXCHANGE_RATES.columns)


def vendors_left_out(
    currencies: Mapping[str, str], buyers: str, rates: pl.DataFrame, further: Mapping[str, PlanFile], day: date
) -> dict[str, str]:
    """Vendors whose currency can't be converted, or whose shipping depends on unknown weights or sizes, with the reason."""
    reasons = {}
    for code, currency in currencies.items():
        if exchange_rate_on(rates, currency, buyers, day) is None:
            reasons[code] = f"there is no rate {currency} to {buyers}: give it in --rates"
    steps, weights = further["shipping_steps"].rows, further["weights"].rows
    for column, word in _SIZES.items():
        if not weights[column].drop_nulls().len():
            by_size = steps.filter(pl.col("step_basis") == column)["vendor_code"].unique()
            reasons |= dict.fromkeys(by_size.sort(), f"its shipping goes by {word}: give {column} in --weights")
    return reasons


def workspace_tables(
    needs: PlanFile,
    terms: PlanFile,
    offers: pl.DataFrame,
    further: Mapping[str, PlanFile],
    currencies: Mapping[str, str],
    buyer: Buyer,
    rates: pl.DataFrame,
) -> dict[str, pl.DataFrame]:
    """Every workspace table by name; those that no file fills are empty."""
    used = terms.frame.filter(pl.col("vendor_code").is_in(list(currencies)))
    code = pl.col("vendor_code")
    tables = {contract.name: empty_frame(contract) for contract in WORKSPACE_TABLES}
    tables |= {
        "substitutes": further["substitutes"].frame,
        "combinations": further["combinations"].frame,
        "exchange_rates": rates,
        "colours": _colours(further["colours"], needs, offers),
        "parts": _shaped(PARTS, further["weights"].frame, part_name="part_code", part_family=pl.lit("")),
        "vendor_terms": _dated(VENDOR_TERMS, used),
        "vendor_closures": _shaped(
            VENDOR_CLOSURES,
            used.filter(pl.any_horizontal(pl.col("closed_from_on", "opens_again_on").is_not_null())),
            closed_from_on=pl.col("closed_from_on").fill_null(_ALWAYS),
            reason=pl.lit(""),
        ),
        "shipping_steps": _dated(SHIPPING_STEPS, further["shipping_steps"].frame),
        "handling_charges": _dated(HANDLING_CHARGES, further["handling"].frame),
        "vendors": _shaped(
            VENDORS,
            used,
            vendor_name=code,
            vendor_kind=pl.lit("independent"),
            vendor_region_code=code,
            currency_code=code.replace_strict(dict(currencies), return_dtype=pl.String),
        ),
        "border_charges": _dated(
            BORDER_CHARGES,
            used.filter((pl.col("duty_pct") > 0) | (pl.col("clearance_charge") > 0)),
            vendor_region_code=code,
            currency_code=pl.lit(buyer.currency_code),
            goods_from=pl.lit(0),
        ),
    }
    return tables


def _colours(colours: PlanFile, needs: PlanFile, offers: pl.DataFrame) -> pl.DataFrame:
    """The palette; where none is given every colour that is named anywhere, as a plain one. Names default to codes."""
    if colours.name:
        name = pl.when(pl.col("colour_name").fill_null("") == "").then("colour_code").otherwise("colour_name")
        return _shaped(COLOURS, colours.frame, colour_name=name)
    known = pl.concat([needs.rows["colour_code"], offers["colour_code"]]).unique().sort().to_frame()
    # How they look stays unknown; the rule near, which needs it, is refused without a palette.
    unknown = pl.lit(None, dtype=pl.String)
    return _shaped(
        COLOURS, known, colour_name="colour_code", srgb_hex=unknown, colour_family=pl.lit(""), finish=pl.lit("plain")
    )


def _dated(contract: Contract, frame: pl.DataFrame, **more: pl.Expr) -> pl.DataFrame:
    anywhere = {"buyer_region_code": pl.lit("*")} if "buyer_region_code" in contract.columns else {}
    return _shaped(contract, frame, valid_from_on=pl.lit(_ALWAYS), **anywhere, **more)


def _shaped(contract: Contract, frame: pl.DataFrame, **more: pl.Expr | str) -> pl.DataFrame:
    exprs = {name: pl.col(value) if isinstance(value, str) else value for name, value in more.items()}
    return frame.with_columns(**exprs).select(contract.columns).cast(polars_schema(contract))
