"""The watches of the settings: which fired, and which did not."""

from __future__ import annotations

from typing import Any

from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import Table, columns, count, day
from pipelines.reporting.basis.words import PRIVATE_WORDS, listed_words
from schemas.published.watches import WATCH_RESULT


def watch_page(page_data: PageData) -> dict[str, Any]:
    """The values of the watches' page."""
    rows = [row for model_rows in _by_watch(page_data).values() for row in model_rows]
    fired = [row for row in rows if row["is_fired"]]
    return {
        "page_title": "Watches",
        "today": day(page_data.today),
        "private": PRIVATE_WORDS if fired else "",
        "has_watches": bool(page_data.settings.watch),
        "fired": _table(page_data, "Fired", fired),
        "quiet": _table(page_data, "Not fired", [row for row in rows if not row["is_fired"]]),
    }


def fired_words(page_data: PageData) -> list[str] | None:
    """Which watches fired, in sentences that may be published: they name no element. None without watches."""
    if not page_data.settings.watch:
        return None
    sentences = []
    for code, rows in _by_watch(page_data).items():
        fired = [row for row in rows if row["is_fired"]]
        if not fired:
            continue
        titles = sorted({_title(page_data, row["model_code"]) for row in fired})
        kind = fired[0]["watch_kind"]
        if kind == "line_scarce":
            elements = {(row["model_code"], row["watch_subject"]) for row in fired}
            sentences.append(f"{code}: {count(len(elements), 'scarce element')} in {listed_words(titles)}.")
        elif kind == "model_below":
            sentences += [
                f"{code}: {_title(page_data, row['model_code'])}, {_buyer(page_data, row)}. {row['watch_message']}"
                for row in fired
            ]
        else:
            vendors = {row["watch_subject"] for row in fired}
            sentences.append(
                f"{code}: {count(len(vendors), 'vendor')} moved {listed_words(titles)} by more than {fired[0]['watch_limit']:g} %."
            )
    return sentences


def _by_watch(page_data: PageData) -> dict[str, list[Row]]:
    """Rows by watch, in the order of the settings."""
    return {
        watch.watch_code: page_data.rows(WATCH_RESULT, watch_code=watch.watch_code)
        for watch in page_data.settings.watch
    }


def _table(page_data: PageData, caption: str, rows: list[Row]) -> Table | None:
    cells = tuple(
        (
            _title(page_data, row["model_code"]),
            _subject(page_data, row),
            _buyer(page_data, row),
            row["watch_message"],
            row["watch_code"],
        )
        for row in rows
    )
    headings = columns("Model", "About", "Buyer", "Finding", "Watch")
    return Table(caption, headings, cells, is_stacked=True) if cells else None


def _subject(page_data: PageData, row: Row) -> str:
    if row["watch_kind"] == "line_scarce" and row["watch_subject"]:
        part, _, colour = row["watch_subject"].rpartition(" ")
        return page_data.element_name(part, colour)
    if row["watch_kind"] == "vendor_changes_model" and row["watch_subject"]:
        return str(page_data.vendor_names().get(row["watch_subject"], row["watch_subject"]))
    return "the model"


def _title(page_data: PageData, model_code: str) -> str:
    return next((model.title for model in page_data.models if model.code == model_code), model_code)


def _buyer(page_data: PageData, row: Row) -> str:
    titles = {buyer.buyer_code: buyer.title for buyer in page_data.settings.buyer}
    return titles.get(row["buyer_code"], str(row["buyer_code"]))
