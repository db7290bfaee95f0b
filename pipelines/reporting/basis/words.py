"""Words that several pages share, so that the same thing is said the same way everywhere."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from pipelines.money import Interval

MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

NO_CLEAR_SAVING = "no clear saving"
"""Said where the best possible plans may save nothing or cost more."""
ESTIMATED_MARK = "\u2248"
"""Marks a saving that is estimated, not planned."""

COLOUR_RULES = {
    "as_listed": "as listed",
    "any": "any plain colour, mixed is fine",
    "any_one": "any plain colour, all alike",
    "one_of": "a colour from a list",
    "near": "a colour close to the listed one",
    "undecided": "as listed, not decided yet",
}

ESTIMATE_BASES = {
    "last_seen": "its last price seen",
    "other_condition": "its price in the other condition",
    "summary": "market averages",
    "none": "no price known",
}

INDEX_NAMES = {
    "lowe": "Fixed parts list (Lowe)",
    "geks-tornqvist": "List quantities (GEKS-Törnqvist)",
    "geks-tornqvist-bought": "Quantities bought (GEKS-Törnqvist)",
}
"""The index methods in the charts: the headline, and those the band is made of."""

CHANGE_PARTS = {
    "prices": "prices of what was bought",
    "exchange_rates": "exchange rates",
    "terms": "vendors' terms",
    "list": "the designer's list",
    "decisions": "our own decisions",
    "estimates": "pieces that can't be bought, estimated",
    "choice": "other offers, vendors, colours and forms; their shipping and tax",
}

REVISION_REASONS = {
    "list": "another version of the parts list",
    "prices": "prices that came late or were corrected, or settings",
}

COMPLETE_COST_WORDS = (
    "Complete cost: parts, shipping, handling and tax, and an estimate for pieces that can't be bought today."
)
COST_WORDS = (
    "Landed cost is what you pay today: parts, shipping, handling and tax. Complete cost adds an estimate for pieces that "
    "can't be bought today."
)
WITHHELD_COST_WORDS = (
    "A complete cost is withheld when less than {floor} of the pieces have a price, bought or estimated."
)
WITHHELD_INDEX_WORDS = "An index is withheld when less than {floor} of the list, by cost, has a price of its own."

ESTIMATED_WORDS = "With an estimate for pieces that can't be bought today."
FEWER_PIECES_WORDS = "Buys fewer pieces than another row: their landed costs can't be compared."

CAUTIONS = (
    "Prices are estimates until the vendor's basket confirms them.",
    "Check tax and customs before you order from abroad.",
    "Another form in a load-bearing place can make the model weaker.",
    "Keep small parts away from small children.",
)

DATA_WORDS = (
    "All costs stand in data/costs.csv and data/costs.json. The cheapest possible purchase costs between low and cost; the JSON file "
    "says what each column means."
)
PRIVATE_WORDS = "Not for publishing: it names lines of a parts list whose designer has not allowed that."

REPORT_METHODS = (
    "The index (Lowe) is the cost of one fixed parts list at each month's prices; the base month is 100. Prices include tax and duty on "
    "goods, but no shipping and no fees.",
    "The shaded band spans the index and two others, drawn with thin lines: GEKS-Törnqvist with the list's quantities, and with the "
    "quantities that each month's plan buys.",
    "Lines in charts break where a figure is withheld.",
    "Levels are rounded for display; changes and contributions are calculated before rounding.",
    "A month's first published figures are kept. Where a figure would differ now, that month's page shows both.",
    "An element's price is the mean price of the cheapest stock that covers the need.",
    "A line without a price in a month moves with the mean change of its class and counts as imputed.",
    "Complete cost also moves with shipping, fees, the parts list and our decisions.",
    "Availability counts new pieces in the listed part and colour that one order per vendor can buy; price summaries do not count. "
    "Trends are Theil-Sen slopes of a year, with a 90 % interval.",
    "A forecast (Theta method) is shown only if it beat three simple ones in trials from 24 or more past months, by more than luck "
    "(Diebold-Mariano test at 5 %, corrected for all indices tested that day). Its interval is as wide as four in five past errors.",
)
PLAN_METHODS = (
    "No plan that buys as many pieces can cost less than the lower bound. The gap is how far a plan may be above it.",
    "Other ways of buying are plans someone could use, made with little effort: cheaper ones may exist.",
)
CHANGE_METHODS = (
    "A change is stated only where the cheapest possible purchase surely became dearer, or surely cheaper. Its parts are of what was "
    "bought before, at the new prices, rates and terms; what is left comes from buying otherwise.",
    "For each vendor: what its new prices and stock change in the cost of the parts, and its new terms in the cost of the cheapest mix. "
    "These do not add up, because one vendor replaces another.",
)


def between_words(low: str, high: str) -> str:
    """Where an amount lies, in a sentence: ``between 13.20 and 14.90``; empty where the ends read alike."""
    return "" if low == high else f"between {low} and {high}"


def with_range(finding: str, between: str) -> str:
    """A finding and where it lies: ``8.09 EUR dearer (between 7.60 and 8.40)``; alone where ``between`` is empty."""
    return f"{finding} ({between})" if between else finding


def difference_in_words(
    amount: Decimal,
    between: Interval,
    as_text: Callable[[Decimal], str],
    unit: str = "",
    down: str = "cheaper",
    up: str = "dearer",
) -> str:
    """``8.09 EUR cheaper (between 7.60 and 8.40)``; ``no clear change (...)`` where the range has both signs.

    Args:
        amount: the difference found.
        between: where the difference lies; it holds the amount.
        as_text: how an amount of 0 or more is written.
        unit: of the amount.
        down, up: what negative and positive differences are.
    """
    low, high = abs(between.low), abs(between.high)
    if between.direction == 0:
        return "no change"
    if between.direction is None:
        ends = [f"{as_text(end)} {word}" for end, word in ((low, down), (high, up)) if end]
        return with_range("no clear change", between_words(*ends) if len(ends) == 2 else f"at most {ends[0]}")
    found = f"{as_text(abs(amount))}{unit and ' '}{unit} {down if between.direction < 0 else up}"
    return with_range(found, between_words(*map(as_text, sorted((low, high)))))


def listed_words(items: Sequence[str]) -> str:
    """Items in a sentence: ``a, b and c``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def unique_sentences(*groups: Iterable[str]) -> list[str]:
    """The sentences of all groups, each once, in the order they first come."""
    return list(dict.fromkeys(sentence for group in groups for sentence in group))


def with_order(vendor: str, row: Mapping[str, Any]) -> str:
    """A vendor of a row that has order_number, with the number from the second order on."""
    return f"{vendor}, order {row['order_number']}" if row["order_number"] > 1 else vendor


def stated_saving(amount: str, low: str | None, high: str | None, *, is_clear: bool) -> str:
    """A saving as far as it is known: ``0.83 (between 0.40 and 1.10)`` or ``no clear saving (between 0.00 and 0.60)``.

    Args:
        amount, low, high: the saving and the ends of where it lies, as text; no ends where it is an estimate: ``0.70 \u2248``.
        is_clear: whether it is above 0 wherever it lies.
    """
    if low is None or high is None:
        return f"{amount} {ESTIMATED_MARK}"
    return with_range(amount if is_clear or low == high else NO_CLEAR_SAVING, between_words(low, high))
