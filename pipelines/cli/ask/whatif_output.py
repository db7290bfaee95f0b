"""What ``kitfare whatif`` prints: two plans side by side, or both as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from pipelines.cli.terminal.common import say, text_table

if TYPE_CHECKING:
    from collections.abc import Callable
    from decimal import Decimal

    from pipelines.insight.what_if.answers import Answer, Bought, Side
    from pipelines.settings import Buyer, Scenario

SHOWN_LINES = 15
_MAKER_FIRST = ("marked", "all_it_has")


def print_answer(title: str, buyer: Buyer, scenario: Scenario, answer: Answer) -> None:
    """Both plans as tables, the difference in a sentence, and the lines that are bought differently."""
    before, after = answer.as_it_is, answer.changed
    is_alike = before.currency_code == after.currency_code
    say(
        f"{title}, {scenario.title[:1].lower()}{scenario.title[1:]}, for {buyer.title}; prices of {before.day}"
        + _then(before, after)
    )
    say("")
    names: list[tuple[str, Callable[[Side], Decimal]]] = [
        ("goods", lambda side: side.parts.goods),
        ("shipping", lambda side: side.parts.shipping),
        ("handling", lambda side: side.parts.handling),
        ("tax", lambda side: side.parts.tax),
        ("landed cost", lambda side: side.landed_cost),
        ("estimate for missing", lambda side: side.unfilled_estimate),
        ("complete cost", lambda side: side.complete_cost),
    ]
    rows = []
    for name, get in names:
        change = _amount(get(after) - get(before), after, is_signed=True) if is_alike else ""
        rows.append([name, _amount(get(before), before), _amount(get(after), after), change])
    for name, one, other in (
        ("parcels", len(before.vendors), len(after.vendors)),
        ("missing pieces", before.unfilled_piece_count, after.unfilled_piece_count),
        ("spare pieces", before.spare_piece_count, after.spare_piece_count),
    ):
        rows.append([name, str(one), str(other), f"{other - one:+d}" if other != one else "0"])
    header = ["", f"as it is, {before.currency_code}", f"changed, {after.currency_code}", "difference"]
    say(text_table(header, rows, numbers=(1, 2, 3)))
    say("")
    say(_vendor_table(before, after))
    say("")
    say(_difference(answer))
    say(_accuracy(answer))
    for sentence in _notes(scenario, before, after):
        say(sentence)
    different = _bought_differently(answer)
    if different:
        say("")
        say(text_table(["line", "as it is", "changed"], different[:SHOWN_LINES], numbers=(0,)))
        if len(different) > SHOWN_LINES:
            say(f"and {len(different) - SHOWN_LINES} more lines; --json has all")


def _then(before: Side, after: Side) -> str:
    return "" if before.day == after.day else f", then of {after.day}"


def _amount(amount: Decimal, side: Side, *, is_signed: bool = False) -> str:
    from pipelines.money import round_money

    rounded = round_money(amount, side.currency_code)
    return f"{rounded:+f}" if is_signed and rounded else f"{abs(rounded):f}" if is_signed else f"{rounded:f}"


def _vendor_table(before: Side, after: Side) -> str:
    rows = []
    for code in sorted({*before.vendors, *after.vendors}):
        row = [code]
        for side in (before, after):
            cost, pieces = side.vendors.get(code, (None, 0))
            row += [_amount(cost, side), str(pieces)] if cost is not None else ["-", "-"]
        rows.append(row)
    header = ["vendor", "as it is", "pieces", "changed", "pieces"]
    return text_table(header, rows, numbers=(1, 2, 3, 4))


def _difference(answer: Answer) -> str:
    from pipelines.reporting.basis.words import difference_in_words

    before, after, found = answer.as_it_is, answer.changed, answer.difference
    if found is None:
        text = "The two costs can't be compared: some pieces have no price, or there is no exchange rate."
    else:
        money = after.currency_code
        words = difference_in_words(
            found.amount, found.between, lambda each: _amount(each, after), money, "less", "more"
        )
        if found.between.direction:
            text = f"With the change it costs {words}"
        elif found.between.direction == 0:
            text = "The change makes no difference to the cost"
        else:
            text = f"With the change there is {words}"
        if before.currency_code != after.currency_code:
            text += f", compared with {_amount(before.complete_cost, before)} {before.currency_code} at the day's exchange rate"
        text += "."
    if not answer.is_at_equal_fill:
        text += " Different numbers of pieces are missing; each counts with an estimate."
    return text


def _accuracy(answer: Answer) -> str:
    return f"How exact: as it is, {_gap(answer.as_it_is)}; changed, {_gap(answer.changed)}."


def _notes(scenario: Scenario, before: Side, after: Side) -> list[str]:
    """What to know about plans that buy at the maker's shop first, and the planner's remarks."""
    notes = []
    if scenario.maker in _MAKER_FIRST:
        bought = "the marked lines" if scenario.maker == "marked" else "all it has"
        notes.append(
            f"This way of buying takes {bought} from the maker's shop first, which need not be the cheapest mix. So a change that "
            "takes something away can lower the cost; how exact is meant within this rule."
        )
    for name, side in (("As it is", before), ("Changed", after)):
        notes += [f"{name}: {note}." for note in side.notes]
    return notes


def _gap(side: Side) -> str:
    """Rounded up, so that "at most" stays true."""
    if side.gap_pct == float("inf"):
        return "how much cheaper a plan could be is not known"
    if not side.gap_pct:
        return "no plan is cheaper"
    return f"at most {math.ceil(side.gap_pct * 10) / 10:.1f} % above the best possible"


def _bought_differently(answer: Answer) -> list[list[Any]]:
    """Lines that are bought differently: number, pieces as it is, pieces after the change."""
    sides = []
    for side in (answer.as_it_is, answer.changed):
        served: dict[int, list[Bought]] = {}
        for row in side.bought:
            served.setdefault(row.line_number, []).append(row)
        sides.append({line: _served(rows) for line, rows in served.items()})
    lines = sorted({*sides[0], *sides[1]})
    pairs = [[line, sides[0].get(line, "nothing"), sides[1].get(line, "nothing")] for line in lines]
    return [pair for pair in pairs if pair[1] != pair[2]]


def _served(rows: list[Bought]) -> str:
    pieces: dict[tuple[str, str, str], int] = {}
    for row in rows:
        key = (row.part_code, row.colour_code, row.vendor_code)
        pieces[key] = pieces.get(key, 0) + row.quantity
    return ", ".join(f"{n} {part} {colour} from {vendor}" for (part, colour, vendor), n in sorted(pieces.items()))


def answer_as_json(model: str, buyer: Buyer, scenario: Scenario, answer: Answer) -> dict[str, Any]:
    """Both plans, amounts as text."""
    return {
        "model_code": model,
        "buyer_code": buyer.buyer_code,
        "scenario_code": scenario.scenario_code,
        **_difference_as_json(answer),
        "as_it_is": _side_as_json(answer.as_it_is),
        "changed": _side_as_json(answer.changed),
    }


def _difference_as_json(answer: Answer) -> dict[str, str | None]:
    found, names = answer.difference, ("difference", "difference_low", "difference_high")
    if found is None:
        return dict.fromkeys(names)
    ends = (found.amount, found.between.low, found.between.high)
    return {name: _amount(end, answer.changed) for name, end in zip(names, ends, strict=True)}


def _side_as_json(side: Side) -> dict[str, Any]:
    return {
        "priced_on": side.day.isoformat(),
        "currency_code": side.currency_code,
        **{name: _amount(getattr(side.parts, name), side) for name in ("goods", "shipping", "handling", "tax")},
        "landed_cost": _amount(side.landed_cost, side),
        "unfilled_estimate": _amount(side.unfilled_estimate, side),
        "complete_cost": _amount(side.complete_cost, side),
        "lower_bound": _amount(side.lower_bound, side),
        "gap_pct": None if side.gap_pct == float("inf") else round(side.gap_pct, 6),
        "unfilled_piece_count": side.unfilled_piece_count,
        "unfilled_estimate_count": side.unfilled_estimate_count,
        "spare_piece_count": side.spare_piece_count,
        "notes": list(side.notes),
        "vendors": [
            {"vendor_code": code, "landed_cost": _amount(cost, side), "bought_piece_count": pieces}
            for code, (cost, pieces) in sorted(side.vendors.items())
        ],
        "lines": [vars(row) for row in side.bought],
    }
