"""The words pages use: plain ones, each in one place, so that every page says the same thing the same way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

STATUS = {
    "proven": "the cheapest possible",
    "bounded": "at most {gap} above the best possible",
    "partial": "some pieces can't be bought",
    "refused": "failed a check: do not use",
}

COLOUR_RULES = {
    "as_listed": "as listed",
    "any": "any plain colour, mixed is fine",
    "any_one": "any plain colour, all alike",
    "one_of": "a colour from a list",
    "near": "a colour close to the listed one",
    "undecided": "as listed, nobody has looked yet",
}

ESTIMATE_BASES = {
    "last_seen": "its last price seen",
    "other_condition": "its price in the other condition",
    "summary": "market averages",
    "none": "no price known",
}

INDEX_NAMES = {
    "lowe": "Fixed parts list (Lowe)",
    "geks-tornqvist": "List weighed month by month (GEKS-Törnqvist)",
    "geks-tornqvist-bought": "Weighed by what plans buy (GEKS-Törnqvist)",
}
"""The index methods that are drawn: the headline and those its band is made of."""

CHANGE_PARTS = {
    "prices": "prices of what was bought",
    "exchange_rates": "exchange rates",
    "terms": "vendors' terms",
    "list": "the designer's list",
    "decisions": "our own decisions",
    "ended_offers": "offers that ended",
    "vendors": "other vendors chosen",
    "colours": "other colours chosen",
    "forms": "other forms chosen",
    "shipping_structure": "shipping, handling and tax of other orders",
    "estimates": "pieces that can't be bought, estimated",
}

CHOSEN_ANEW = ("vendors", "colours", "forms", "shipping_structure")
"""The parts that come from buying otherwise than before, by choice."""

REVISION_REASONS = {
    "list": "another version of the parts list",
    "prices": "prices that came late or were corrected, or settings",
}

REVISED_COSTS = "past dates are planned with less effort than the night did; or prices came late or were corrected"

COST_WORDS = (
    "Landed cost is what you would pay today: parts, shipping, handling and tax. Complete cost adds an estimate for pieces "
    "that can't be bought today, so that ways of buying can be compared even when one of them lacks pieces."
)

ESTIMATED_WORDS = "Some pieces can't be bought today; an estimate for them is included."
FEWER_PIECES_WORDS = "Buys fewer pieces than another row of its table: the two landed costs can't be compared."

CAUTIONS = (
    "Prices are estimates until the vendor's basket confirms them.",
    "Tax and customs follow the rules of the place the parcels go to. Check them before you order from abroad.",
    "A different form in a load-bearing place can change how strong the model is.",
    "Small parts can be swallowed: keep them away from small children.",
)

PRIVATE = (
    "Not for publishing: this page names lines of a parts list whose designer has not allowed that. "
    "It is for the person who runs the refresh."
)

METHODS = (
    "The index is the cost of one fixed parts list at each month's prices, with the base month as 100 (Lowe). The list does "
    "not change, so only prices move it.",
    "Two other formulas are drawn thin beside it: GEKS-Törnqvist over 25 months, joined by the mean splice on published values, once "
    "weighed by the list and once by what each month's plan buys. The shaded band spans all three. Where quantities stand still and "
    "no price is missing it says nothing, and the page says so.",
    "Levels are shown rounded; changes and contributions are worked out from levels that are not.",
    "What a month said first is kept: where an index or a cost would come out otherwise now, that month's page shows both.",
    "An element's price in a month is the mean price of the cheapest stock that covers the need.",
    "A line without a price of its own in a month is carried along with the mean change of its class. It counts as imputed.",
    "Complete cost also moves with shipping, vendors' terms, the parts list and what was decided; the index does not.",
    "Availability counts new pieces that one order per vendor can buy, in the listed part and colour. Trends are Theil-Sen slopes of a "
    "year, with a 90 % interval. Price summaries name no vendors and count for nothing here.",
    "A forecast (Theta method) is shown only where, in trials from past months, it missed by at least a twentieth less than 'same as "
    "last month'.",
)


def with_order(vendor: str, row: Mapping[str, Any]) -> str:
    """A vendor of a row that has order_number, with the number from the second order on."""
    return f"{vendor}, order {row['order_number']}" if row["order_number"] > 1 else vendor
