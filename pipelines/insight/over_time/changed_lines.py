"""Which lines of a model differ between two dates: in the designer's list, or by our decisions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipelines.demand import model_portions
from pipelines.demand.demand_by_date import demand_of
from pipelines.inputs import Model, WorkspaceInputs


@dataclass(frozen=True)
class ChangedLines:
    """Lines that the designer changed, and others that our decisions changed, by whether flexibility counts."""

    listed: frozenset[int]
    decided: Mapping[bool, frozenset[int]]
    is_other_list: bool

    def is_break(self, uses_flexibility: bool) -> bool:
        """Whether the plans of the two dates buy different things."""
        return self.is_other_list or bool(self.listed or self.decided[uses_flexibility])


def listed_lines(model: Model, version: int | None) -> pl.DataFrame:
    """line_number, part_code, colour_code and quantity of a version of the designer's list, without the skipped sections."""
    chosen = (pl.col("list_version") == (version or 0)) & ~pl.col("section_code").fill_null("").is_in(
        model.settings.skip_sections
    )
    return model.parts_list.filter(chosen).select("line_number", "part_code", "colour_code", "quantity")


Lines = dict[int, list[str]]
"""The rows of each line, as texts to compare."""


class LinesByDate:
    """The portions of models' lines on a date; between two changes they are the same, so looked up once."""

    def __init__(self, inputs: WorkspaceInputs) -> None:
        self._demand = demand_of(inputs)
        self._known: dict[tuple[str, date | None, bool], Lines] = {}

    def rows(self, model: Model, day: date, with_flexibility: bool) -> Lines:
        """A model's portions by line; a line's portions count together where flexibility does not, as their split is no change."""
        key = (model.model_code, model_portions.latest_change(model, day), with_flexibility)
        if key not in self._known:
            portions = self._demand.portions(model, day, with_flexibility)
            if not with_flexibility:
                rest = [name for name in portions.columns if name not in ("portion_number", "group_code", "quantity")]
                portions = portions.group_by(rest).agg(pl.col("quantity").sum())
            self._known[key] = by_line(portions)
        return self._known[key]


def by_line(frame: pl.DataFrame) -> Lines:
    """The rows of every line as texts, without their line_number."""
    place = frame.columns.index("line_number")
    rows: Lines = {}
    for row in frame.iter_rows():
        rows.setdefault(row[place], []).append(repr(row))
    return {line: sorted(texts) for line, texts in rows.items()}


def differing_lines(one: Lines, other: Lines) -> frozenset[int]:
    """Lines whose rows differ."""
    return frozenset(line for line in one.keys() | other.keys() if one.get(line) != other.get(line))
