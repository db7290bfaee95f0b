"""The table that a refresh prints: what each model costs under each way of buying."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from pipelines.cli.terminal.common import text_table

_GAP = 2
_HEADER_LINES = (2, 3, 4)
"""How many lines the titles may take; more lines make narrower columns."""
_NARROWEST_MODEL = 16
"""Names of models are broken into lines of at least this width before the table is given up."""

_REFUSED = "the plan failed a check and must not be used"
_INCOMPLETE = "some pieces can't be bought, and some of those have no estimate: the true cost is higher"
_ESTIMATED = "some pieces can't be bought; an estimate for them is included"
_MORE_PIECES = "A way of buying that finds more pieces can cost more: missing pieces count before the cost."


def comparison(
    model_costs: Sequence[dict[str, Any]], day: date, titles: Mapping[str, str], width: int = 80
) -> Iterator[str]:
    """The complete cost of each model for each way of buying, a table per buyer, as lines of text.

    Args:
        model_costs: rows of the table model_cost, of any dates.
        day: the date to show.
        titles: the titles of the ways of buying by scenario code, in the order to show; a way without one is shown by its code.
        width: columns of the terminal. Where the table does not fit, each model gets a list of its own.
    """
    costs = [row for row in model_costs if row["priced_on"] == day]
    priced = dict.fromkeys(row["scenario_code"] for row in costs)
    shown = {code: titles.get(code, code) for code in {**dict.fromkeys(titles), **priced} if code in priced}
    marks: dict[str, str] = {}
    for buyer in dict.fromkeys(row["buyer_code"] for row in costs):
        own = [row for row in costs if row["buyer_code"] == buyer]
        models = {row["model_code"]: row["model_title"] for row in own}
        cells = {(row["model_code"], row["scenario_code"]): (_amount(row), _mark(row, marks)) for row in own}
        mark_width = max(len(mark) for _, mark in cells.values())
        amounts = {key: amount + mark.ljust(mark_width) for key, (amount, mark) in cells.items()}
        rows = {title: [amounts.get((model, code), "") for code in shown] for model, title in _distinct(models).items()}
        yield ""
        yield f"Complete cost for the buyer {buyer}, {own[0]['currency_code']}, prices of {day}"
        yield ""
        yield _laid_out(list(shown.values()), rows, width)
    if marks:
        yield ""
        yield from (f"{mark} {meaning}" for mark, meaning in sorted(marks.items()))
        if any(_costs_more_for_more_pieces(one, other) for one in costs for other in costs):
            yield _MORE_PIECES
    if not costs:
        yield f"No model has a cost on {day}: no parts list was released by then (released_on in models/*/model.toml)."


def _distinct(models: Mapping[str, str]) -> dict[str, str]:
    """Titles of models by code; two models of one title are distinguished by their codes."""
    several = {title for title in models.values() if list(models.values()).count(title) > 1}
    return {code: f"{title} ({code})" if title in several else title for code, title in models.items()}


def _laid_out(titles: Sequence[str], rows: Mapping[str, Sequence[str]], width: int) -> str:
    """One table with as few header lines as let it fit; where none does, a list for each model."""
    longest = max(map(len, rows))
    narrowest = min(longest, _NARROWEST_MODEL)
    amounts = [max(len(row[position]) for row in rows.values()) for position in range(len(titles))]
    for room, line_count in [(longest, count) for count in _HEADER_LINES] + [(narrowest, _HEADER_LINES[-1])]:
        widths = [_narrowest(title, line_count, amount) for title, amount in zip(titles, amounts, strict=True)]
        left = width - sum(widths) - _GAP * len(widths)
        if left >= room:
            return _table(titles, widths, rows, min(left, longest))
    return "\n\n".join(
        "\n".join([model, text_table(["way of buying", "cost"], list(zip(titles, row, strict=True)), numbers=[1])])
        for model, row in rows.items()
    )


def _table(titles: Sequence[str], widths: Sequence[int], rows: Mapping[str, Sequence[str]], model_width: int) -> str:
    header = ["\n".join(_wrapped(title, width)) for title, width in zip(titles, widths, strict=True)]
    lines: list[list[str]] = []
    for model, amounts in rows.items():
        first, *more = _wrapped(model, model_width, indent="  ") or [""]
        lines += [[first, *amounts], *([part, *[""] * len(amounts)] for part in more)]
    return text_table(["model", *header], lines, numbers=range(1, len(header) + 1))


def _narrowest(title: str, line_count: int, least: int) -> int:
    """The smallest width, not below ``least``, at which a title takes at most so many lines and no word is broken."""
    width = max(least, 1)
    while len(_wrapped(title, width)) > line_count:
        width += 1
    return max(width, *map(len, _wrapped(title, width)), 0)


def _wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """The text in lines of at most that width, or of one longer word; all but the first are indented."""
    return textwrap.wrap(text, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def _costs_more_for_more_pieces(one: dict[str, Any], other: dict[str, Any]) -> bool:
    same = all(one[name] == other[name] for name in ("model_code", "buyer_code"))
    fewer = one["unfilled_piece_count"] < other["unfilled_piece_count"]
    refused = "refused" in (one["plan_status"], other["plan_status"])
    return same and fewer and not refused and one["complete_cost"] > other["complete_cost"]


def _amount(row: dict[str, Any]) -> str:
    if row["plan_status"] == "refused":
        return "refused"
    from pipelines.money import round_money

    return f"{round_money(row['complete_cost'], row['currency_code']):f}"


def _mark(row: dict[str, Any], marks: dict[str, str]) -> str:
    """The sign beside an amount, '' for none; its meaning is added to ``marks``."""
    if row["plan_status"] == "refused":
        mark, meaning = "!", _REFUSED
    elif row["unfilled_estimate_count"]:
        mark, meaning = "**", _INCOMPLETE
    elif row["unfilled_piece_count"]:
        mark, meaning = "*", _ESTIMATED
    else:
        return ""
    marks[mark] = meaning
    return mark
