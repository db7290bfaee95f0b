"""What happened besides prices: parts lists, our own decisions and vendors' terms that took effect, by date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipelines.reporting.basis.page_data import PageData, ReportedModel
from pipelines.reporting.basis.page_tables import Table, columns, count, day
from pipelines.settings import Buyer

KINDS = {"L": "list", "T": "vendors' terms", "R": "exchange rates", "D": "our decisions"}
"""What an event is about, by the letter that stands for it in a drawing."""
LARGE_RATE_PCT = 5.0
"""An exchange rate that moved less in a month is no event. Our own choice."""


@dataclass(frozen=True, order=True)
class Event:
    """What took effect on a date: its kind, a key of KINDS, and in words."""

    on: date
    kind: str
    words: str


def events(page_data: PageData, models: Sequence[ReportedModel], buyer: Buyer, after: date, until: date) -> list[Event]:
    """Lists, decisions and vendors' terms that changed for a buyer after one date and until another, earliest first."""
    found = [
        *(event for model in models for event in _of_model(model)),
        *_terms(page_data, buyer),
    ]
    return sorted(event for event in found if after < event.on <= until)


def events_table(found: Sequence[Event]) -> Table | None:
    """The events, latest first."""
    rows = tuple((day(event.on), event.words) for event in reversed(found))
    return Table("What changed besides prices", columns("From", "What"), rows) if rows else None


def _of_model(model: ReportedModel) -> list[Event]:
    if model.inputs is None:
        return []
    versions = sorted(model.inputs.settings.versions, key=lambda version: version.released_on)
    found = [
        Event(version.released_on, "L", f"{model.title}: version {version.list_version} of the parts list")
        for version in versions[1:]
    ]
    for frame, column in ((model.inputs.flexible_lines, "decided_on"), (model.inputs.amendments, "valid_from_on")):
        if frame.height and column in frame.columns:
            by_day = frame.filter(pl.col(column).is_not_null()).group_by(column).len().sort(column)
            found += [
                Event(on, "D", f"{model.title}: {count(lines, 'decision')} of our own")
                for on, lines in by_day.iter_rows()
            ]
    return found


def _terms(page_data: PageData, buyer: Buyer) -> list[Event]:
    terms = page_data.workspace_table("vendor_terms")
    if terms is None or not terms.height:
        return []
    own = terms.filter(pl.col("buyer_region_code") == buyer.region_code)
    first = pl.col("valid_from_on").min().over("vendor_code")
    later = own.filter(pl.col("valid_from_on") > first).select("valid_from_on", "vendor_code").unique().sort(pl.all())
    names = page_data.public_vendor_names
    return [Event(on, "T", f"{names.get(vendor, vendor)}: new terms") for on, vendor in later.iter_rows()]


def rates(page_data: PageData, buyer: Buyer, after: date, until: date) -> list[Event]:
    """Currencies that moved far against the buyer's between the last rates by two dates, a month apart."""
    rates = page_data.workspace_table("exchange_rates")
    if rates is None or not rates.height:
        return []
    into = rates.filter(pl.col("to_currency_code") == buyer.currency_code).sort("rate_on")
    ends = [
        into.filter(pl.col("rate_on") <= at).group_by("from_currency_code", maintain_order=True).last()
        for at in (after, until)
    ]
    both = ends[0].join(ends[1], on="from_currency_code", suffix="_now").sort("from_currency_code")
    found = []
    for row in both.iter_rows(named=True):
        moved = (row["exchange_rate_now"] / row["exchange_rate"] - 1) * 100 if row["exchange_rate"] else 0
        if abs(moved) >= LARGE_RATE_PCT and row["rate_on_now"] > after:
            verb = "dearer" if moved > 0 else "cheaper"
            found.append(
                Event(
                    row["rate_on_now"],
                    "R",
                    f"{row['from_currency_code']} {abs(moved):.1f} % {verb} in {buyer.currency_code}",
                )
            )
    return found
