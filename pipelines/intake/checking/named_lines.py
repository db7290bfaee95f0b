"""Refuses removals and maker's lines that would pass to another part because a version gives its number to one."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import polars as pl

from pipelines.errors import InputError

if TYPE_CHECKING:
    from pipelines.settings import ModelSettings

_ELEMENT = ["line_number", "part_code", "colour_code"]


def check_named_lines(
    place: str, settings: ModelSettings, parts: pl.DataFrame, amendments: pl.DataFrame, amendments_path: str
) -> None:
    """What is named by its line number alone is one part and colour in every version that has the line.

    A decision about a line names its part and follows it, see ``pipelines/inputs.py``; a removal and ``maker_lines`` do not.

    Raises:
        InputError: a number is one element in one version and another in the next, or a removal names another part.
    """
    elements: dict[int, dict[tuple[str, str], int]] = defaultdict(dict)
    for number, part, colour, version in parts.select(*_ELEMENT, "list_version").sort("list_version").iter_rows():
        elements[number].setdefault((part, colour), version)
    removed = amendments.filter(pl.col("amendment_action") == "remove")
    for row in removed.iter_rows(named=True):
        stated, known = (row["part_code"] or "", row["colour_code"] or ""), elements.get(row["line_number"])
        if stated[0] and known and stated not in known:
            raise InputError(
                f"pieces of {' in '.join(filter(None, stated))} are removed from line {row['line_number']}, which is "
                + " or ".join(" in ".join(element) for element in known),
                where=f"{amendments_path}, line {row['source_line_number']}",
                state="nothing was computed from this file",
                next_step="correct line_number, or leave part_code and colour_code empty",
            )
    named = dict.fromkeys(settings.maker_lines, f"{place}/model.toml, maker_lines")
    named |= dict.fromkeys(removed["line_number"].to_list(), f"{amendments_path}, a removal")
    for number, where in named.items():
        if len(known := elements.get(number, {})) > 1:
            spoken = "; ".join(f"version {version}: {part} in {colour}" for (part, colour), version in known.items())
            raise InputError(
                f"line {number} is named by its number, but is not the same part and colour in all versions ({spoken})",
                where=where,
                state="nothing was computed from this file",
                next_step="let every line keep its number through the versions, and give another part a new number; "
                "`kitfare add model FILE --version N` does so",
            )
