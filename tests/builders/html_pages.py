"""Reads HTML pages as a checker does, and changes published tables for them."""

from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import polars as pl

HOSTILE = '<script>alert(1)</script>"><img src=x onerror=alert(2)> | **b** [l](javascript:x)'


VOID = {"input", "meta", "br", "img", "path", "line", "link", "hr"}


class Page(HTMLParser):
    """A parsed page: its tags, whether they are balanced, its links and its visible words."""

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.text = path.read_text(encoding="utf-8")
        self.feed(self.text)
        assert self.open == [], f"{path.name}: left open {self.open}"

    def handle_starttag(self, tag: Any, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: Any, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: Any) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: Any) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def shown(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: Any) -> Any:
        return [attrs for name, attrs in self.tags if name == tag]


class PageTables(HTMLParser):
    """All tables of a page: caption, headings, and rows of cells, as a reader sees them."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: list[tuple[str, list[str], list[list[str]]]] = []
        self._caption, self._rows, self._cell = "", [[""]], ""
        self.feed(text)

    def handle_starttag(self, tag: Any, attrs: Any) -> None:
        if tag == "table":
            self._rows = []
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("caption", "th", "td"):
            self._cell = ""

    def handle_endtag(self, tag: Any) -> None:
        if tag == "caption":
            self._caption = self._cell.strip()
        elif tag in ("th", "td"):
            self._rows[-1].append(" ".join(self._cell.split()))
        elif tag == "table":
            self.tables.append((self._caption, self._rows[0], self._rows[1:]))

    def handle_data(self, data: Any) -> None:
        self._cell += data


def change(tables: Any, name: Any, *expressions: Any) -> Any:
    return {**tables, name: tables[name].with_columns(*expressions)}


def with_plan(tables: Any, where: Any, **values: Any) -> Any:
    """model_cost with some values of the plans that meet a condition replaced."""
    kept = [
        pl.when(where).then(pl.lit(v, dtype=tables["model_cost"].schema[k])).otherwise(pl.col(k)).alias(k)
        for k, v in values.items()
    ]
    return change(tables, "model_cost", *kept)


TODAY_BEST = (
    (pl.col("priced_on") == date(2026, 11, 25))
    & (pl.col("scenario_code") == "cheapest")
    & (pl.col("model_code") == "m00")
)


def html_pages(place: Any) -> Any:
    return sorted(place.rglob("*.html"))


def sheet_text(place: Any, code: Any, ending: str = "html") -> Any:
    path = place / "public/sheets" / f"{code}.{ending}"
    return Page(path).shown if ending == "html" else path.read_text(encoding="utf-8")


def details_text(place: Any, code: Any) -> Any:
    return Page(place / "private/details" / f"{code}.html").shown
