"""What a workspace's tables name that nothing else has: said, and not refused, because each row stands or falls alone.

The cross-checks refuse what contradicts; a code that is merely unknown may be a typing error or be of use later.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

import polars as pl

from pipelines.inputs import Model, decisions_on
from pipelines.settings import Settings

_SHOWN = 5
_ANY = "*"


class _Table(Protocol):
    """As in :mod:`pipelines.intake.checking.cross_checks`."""

    @property
    def path(self) -> str:
        """Relative to the workspace."""

    @property
    def rows(self) -> pl.DataFrame:
        """Typed rows."""


@dataclass(frozen=True)
class _Rule:
    """What codes of a table's column must be known as, and what comes of one that is not."""

    table: str
    column: str
    kind: str
    effect: str


_NO_EFFECT = "such a row changes nothing"
_RULES = (
    _Rule("substitutes", "part_code", "part", _NO_EFFECT),
    _Rule("substitutes", "substitute_part_code", "part", "such a part counts as plain and hard"),
    _Rule("combinations", "part_code", "part", _NO_EFFECT),
    _Rule("combinations", "component_part_code", "part", "such a part counts as plain and hard"),
    _Rule("code_map", "part_code", "part", "offers of such a part serve no model"),
    _Rule("element_status", "part_code", "part", _NO_EFFECT),
    _Rule("element_status", "colour_code", "colour", _NO_EFFECT),
    _Rule("stock_on_hand", "part_code", "part", "such pieces serve no model"),
    _Rule("stock_on_hand", "colour_code", "colour", "such pieces serve no model"),
    _Rule("border_charges", "buyer_region_code", "buyer's region", _NO_EFFECT),
    _Rule("border_charges", "vendor_region_code", "vendor's region", _NO_EFFECT),
    _Rule("source_corrections", "vendor_code", "vendor", _NO_EFFECT),
    _Rule("source_corrections", "part_code", "part", _NO_EFFECT),
    _Rule("source_corrections", "colour_code", "colour", _NO_EFFECT),
    _Rule("confirmed_prices", "vendor_code", "vendor", _NO_EFFECT),
    _Rule("confirmed_prices", "part_code", "part", _NO_EFFECT),
    _Rule("confirmed_prices", "colour_code", "colour", _NO_EFFECT),
)
_SOURCES = {
    "part": "no parts list and no row of tables/parts has",
    "colour": "tables/colours does not have",
    "vendor": "tables/vendors does not have",
    "buyer's region": "no buyer in kitfare.toml has",
    "vendor's region": "no row of tables/vendors has",
}


def remarks(settings: Settings, tables: Mapping[str, _Table], models: Sequence[Mapping[str, _Table]]) -> list[str]:
    """A sentence for each column with unknown codes, for codes that differ in case only, and for vendors without terms.

    Unknown parts are named only where tables/parts has rows: that table may be left out.

    Args:
        settings: kitfare.toml.
        tables: every workspace table by the name of its contract.
        models: of each model its tables parts and amendments.
    """
    return [
        *_unknown_codes(settings, tables, models),
        *_alike(tables),
        *_without_terms(tables),
    ]


def _unknown_codes(
    settings: Settings, tables: Mapping[str, _Table], models: Sequence[Mapping[str, _Table]]
) -> Iterator[str]:
    own = [model[name] for model in models for name in ("parts", "amendments")]
    listed = {code for table in own for code in table.rows["part_code"] if code}
    parts = set(tables["parts"].rows["part_code"])
    vendors = tables["vendors"].rows
    known: dict[str, Collection[str]] = {
        "part": parts | listed,
        "colour": set(tables["colours"].rows["colour_code"]),
        "vendor": set(vendors["vendor_code"]),
        "buyer's region": {buyer.region_code for buyer in settings.buyer},
        "vendor's region": set(vendors["vendor_region_code"]),
    }
    for rule in _RULES:
        if parts or rule.kind != "part":
            unknown = ~pl.col(rule.column).is_in([*known[rule.kind], _ANY])
            yield from _said(tables[rule.table], unknown, rule.column, _SOURCES[rule.kind], rule.effect)
    for table in own:
        if parts:
            unknown = ~pl.col("part_code").is_in([*parts, ""])
            effect = "such a part counts as plain, hard and of unknown weight"
            yield from _said(table, unknown, "part_code", "tables/parts does not have", effect)


def _said(table: _Table, is_unknown: pl.Expr, column: str, source: str, effect: str) -> Iterator[str]:
    found = table.rows.filter(is_unknown).sort("source_line_number")
    if found.height:
        places = [f"line {line} {code!r}" for line, code in found.select("source_line_number", column).iter_rows()]
        more = f" and {found.height - _SHOWN} more" if found.height > _SHOWN else ""
        yield f"{table.path}: {column} names what {source}: {', '.join(places[:_SHOWN])}{more}; {effect}"


def _alike(tables: Mapping[str, _Table]) -> Iterator[str]:
    """Codes that a reader takes for one, and kitfare for two."""
    for name, column in (("colours", "colour_code"), ("parts", "part_code")):
        seen: dict[str, str] = {}
        for line, code in tables[name].rows.select("source_line_number", column).iter_rows():
            other = seen.setdefault(unicodedata.normalize("NFC", code).casefold(), code)
            if other != code:
                yield f"{tables[name].path}, line {line}: {code!r} counts as another code than {other!r}, from which only letters' case differs"


def _without_terms(tables: Mapping[str, _Table]) -> Iterator[str]:
    served = tables["vendor_terms"].rows["vendor_code"].implode()
    effect = "no plan uses such a vendor"
    yield from _said(
        tables["vendors"],
        ~pl.col("vendor_code").is_in(served),
        "vendor_code",
        "tables/vendor_terms has no row of",
        effect,
    )


def put_aside_remarks(models: Sequence[Model]) -> Iterator[str]:
    """A sentence for each model whose newest list leaves decisions without their line."""
    for model in models:
        aside = decisions_on(model, date.max).put_aside
        if aside:
            shown = "; ".join(f"line {each.line_number}: {each.reason}" for each in aside[:_SHOWN])
            more = f"; and {len(aside) - _SHOWN} more" if len(aside) > _SHOWN else ""
            count = "1 decision is" if len(aside) == 1 else f"{len(aside)} decisions are"
            yield (
                f"{model.model_code}: {count} put aside ({shown}{more}); such lines are bought as listed. "
                f"`kitfare decide {model.model_code} --list` shows all."
            )
