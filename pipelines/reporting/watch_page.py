"""The page of the watches: what fired, and what was looked at and did not."""

from __future__ import annotations

from typing import Any

from pipelines.reporting.facts import Facts, Row
from pipelines.reporting.tables import Table, columns, count, day
from pipelines.reporting.words import PRIVATE
from schemas.published.watches import WATCH_RESULT

KINDS = {
    "model_below": "Model below an amount",
    "line_scarce": "Scarce lines",
    "vendor_moves_model": "Vendors that move a model",
}


def watch_page(facts: Facts) -> dict[str, Any]:
    """Everything the template of the watches' page shows."""
    rows = [row for model_rows in _by_watch(facts).values() for row in model_rows]
    fired = [row for row in rows if row["is_fired"]]
    return {
        "page_title": "Watches",
        "today": day(facts.today),
        "private": PRIVATE if fired else "",
        "has_watches": bool(facts.settings.watch),
        "fired": _table(facts, "What fired", fired),
        "quiet": _table(facts, "What did not", [row for row in rows if not row["is_fired"]]),
    }


def fired_words(facts: Facts) -> list[str] | None:
    """For the monthly report, which may be published: which watches fired, without naming elements; None without watches."""
    if not facts.settings.watch:
        return None
    told = []
    for code, rows in _by_watch(facts).items():
        fired = [row for row in rows if row["is_fired"]]
        if not fired:
            continue
        titles = sorted({_title(facts, row["model_code"]) for row in fired})
        kind = fired[0]["watch_kind"]
        if kind == "line_scarce":
            elements = {(row["model_code"], row["watch_subject"]) for row in fired}
            told.append(f"{code}: {count(len(elements), 'scarce element')} in {_listed(titles)}.")
        elif kind == "model_below":
            told += [
                f"{code}: {_title(facts, row['model_code'])}, {_buyer(facts, row)}. {row['watch_told']}"
                for row in fired
            ]
        else:
            vendors = {row["watch_subject"] for row in fired}
            told.append(
                f"{code}: {count(len(vendors), 'vendor')} moved {_listed(titles)} by more than {fired[0]['watch_limit']:g} %."
            )
    return told


def _by_watch(facts: Facts) -> dict[str, list[Row]]:
    """Rows by watch, in the order of the settings."""
    return {watch.watch_code: facts.rows(WATCH_RESULT, watch_code=watch.watch_code) for watch in facts.settings.watch}


def _table(facts: Facts, caption: str, rows: list[Row]) -> Table | None:
    cells = tuple(
        (
            row["watch_code"],
            KINDS[row["watch_kind"]],
            _title(facts, row["model_code"]),
            _buyer(facts, row),
            _subject(facts, row),
            row["watch_told"],
        )
        for row in rows
    )
    headings = columns("Watch", "Kind", "Model", "For", "About", "What was found")
    return Table(caption, headings, cells, is_stacked=True) if cells else None


def _subject(facts: Facts, row: Row) -> str:
    if row["watch_kind"] == "line_scarce" and row["watch_subject"]:
        part, _, colour = row["watch_subject"].rpartition(" ")
        return f"{facts.part_name(part)}, {facts.colour_name(colour)}"
    if row["watch_kind"] == "vendor_moves_model" and row["watch_subject"]:
        return str(facts.vendor_names().get(row["watch_subject"], row["watch_subject"]))
    return "the model"


def _title(facts: Facts, model_code: str) -> str:
    return next((model.title for model in facts.models if model.code == model_code), model_code)


def _buyer(facts: Facts, row: Row) -> str:
    titles = {buyer.buyer_code: buyer.title for buyer in facts.settings.buyer}
    return titles.get(row["buyer_code"], str(row["buyer_code"]))


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
