"""What changed since the last month end or the date before, for the end of a refresh: a sentence, and a word per model."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from textwrap import shorten
from typing import Any

from pipelines.cli.terminal.common import text_table

Costs = Sequence[Mapping[str, Any]]
NOT_CLEAR = "not clear"
SAME = "no change"
NONE = "not compared"


def changes(model_costs: Costs, day: date, buyer: str, scenario: str) -> tuple[date | None, dict[str, str]]:
    """The date before that has costs, and each model's change since then: ``+2.58 (+1.02 to +4.60)``, ``not clear``, ``no change`` or ``not compared``.

    Costs are compared only where both plans passed their checks and lack estimates for equally many pieces. A change is stated
    only where every value within the accuracy of both plans has its sign.

    Args:
        model_costs: rows of the table model_cost.
        day: the date of today's costs.
        buyer, scenario: codes of whose costs, and of which way of buying.
    """
    own = [row for row in model_costs if (row["buyer_code"], row["scenario_code"]) == (buyer, scenario)]
    before_on = max((row["priced_on"] for row in own if row["priced_on"] < day), default=None)
    before = {row["model_code"]: row for row in own if row["priced_on"] == before_on}
    now = {row["model_code"]: row for row in own if row["priced_on"] == day}
    return before_on, {code: _change(before.get(code), row) for code, row in now.items()}


def _change(before: Mapping[str, Any] | None, now: Mapping[str, Any]) -> str:
    if before is None or "refused" in (before["plan_status"], now["plan_status"]):
        return NONE
    if before["unfilled_estimate_count"] != now["unfilled_estimate_count"]:
        return NONE
    from pipelines.money import cost_interval, round_money

    between = cost_interval(now) - cost_interval(before)
    if between.direction is None:
        return NOT_CLEAR
    if between.direction == 0:
        return SAME
    code = now["currency_code"]
    amount, low, high = (
        round_money(each, code) for each in (now["complete_cost"] - before["complete_cost"], between.low, between.high)
    )
    return f"{amount:+,f}" if low == high else f"{amount:+,f} ({low:+,f} to {high:+,f})"


def finding(found: Mapping[str, str], before_on: date | None) -> str:
    """One sentence: how many models surely cost more or less than on the date before; empty without anything to compare."""
    compared = [words for words in found.values() if words != NONE]
    if before_on is None or not compared:
        return ""
    counts = [
        (sum(words.startswith("+") for words in compared), "more"),
        (sum(words.startswith("-") for words in compared), "less"),
        (compared.count(SAME), "the same"),
    ]
    parts = [f"{number} {'costs' if number == 1 else 'cost'} {word}" for number, word in counts if number]
    if unclear := compared.count(NOT_CLEAR):
        parts.append(f"for {unclear} no change is clear")
    return f"Since {before_on}, of {len(compared)} {'model' if len(compared) == 1 else 'models'}: {', '.join(parts)}."


def summary(model_costs: Costs, day: date, scenario: str, width: int = 80) -> Iterator[tuple[str, bool]]:
    """A finding and a table of costs and their changes for each buyer with an earlier date: lines, and whether each is the finding."""
    for buyer in dict.fromkeys(row["buyer_code"] for row in model_costs):
        before_on, found = changes(model_costs, day, buyer, scenario)
        if not (words := finding(found, before_on)):
            continue
        now = {
            row["model_code"]: row
            for row in model_costs
            if (row["priced_on"], row["buyer_code"], row["scenario_code"]) == (day, buyer, scenario)
        }
        cells = [[_amount(now[code]), changed] for code, changed in found.items()]
        room = (
            width
            - 4
            - max(len(amount) for amount, _ in [["cost, EUR", ""], *cells])
            - max(map(len, (*found.values(), "change")))
        )
        rows = [
            [shorten(now[code]["model_title"], max(room, 12), placeholder="..."), *row]
            for code, row in zip(found, cells, strict=True)
        ]
        yield "", False
        yield f"{buyer}: {words}", True
        yield (
            text_table(["model", f"cost, {next(iter(now.values()))['currency_code']}", "change"], rows, numbers=[1, 2]),
            False,
        )


def _amount(row: Mapping[str, Any]) -> str:
    from pipelines.money import round_money

    if row["plan_status"] == "refused":
        return "refused"
    least = "at least " if row["unfilled_estimate_count"] else ""
    return f"{least}{round_money(row['complete_cost'], row['currency_code']):,f}"
