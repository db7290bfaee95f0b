"""What a finding about an export says to a person."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

_SENTENCES = {
    "dated_ahead": "its date is {measured} days after the last export of its vendor{on}, and few other vendors have one near it",
    "dated_behind": "its date is {measured} days before the first export of its vendor{on}, and few other vendors have one near it",
    "dated_late": "its date is {measured} days before the last export of its vendor{on}; its prices are added to the past",
    "like_newest_export": "{measured} % of its prices are those of the export of {on_date}, so its date is in doubt",
    "offers_gone": "{measured} % of the elements that its vendor usually lists are gone",
    "list_grown": "it lists {measured} times as many elements as its vendor's exports usually do",
    "price_level": "its prices are {measured} times those of the export of {on_date} (median)",
    "prices_far_moved": "{measured} % of its prices are several times those of the export of {on_date}, or a small part of them",
    "steps_rising": "more pieces cost more each in {measured} % of its offers with price steps",
    "currency_changed": "its currency is {named}, unlike that of the export of {on_date}, for {measured} elements",
    "currency_not_vendors": "its currency is not that of its vendor in tables/vendors: {named}",
    "currency_without_rate": "tables/exchange_rates has no rate for its currency: {named}; nothing is bought at such prices",
    "list_of_other_vendor": "{measured} % of its offers are those of {named}, with the same prices and quantities",
    "market_level": "its prices are {measured} times those of other vendors (median)",
    "vendor_mistyped": "its vendor is not in tables/vendors, but one with a code much like it is: {named}",
    "vendor_unknown": "its vendor is not in tables/vendors: {named}; nothing is bought there",
    "parts_never_seen": "{measured} % of its elements have part codes never seen: {named}",
    "colours_never_seen": "colour codes never seen: {named}",
    "parts_mistyped": "part codes never seen are much like codes that are gone: {named}",
}
_UNKNOWN_DISTANCE = {
    "dated_ahead": "its vendor had no export before, and its date is long after those of most other vendors",
    "dated_behind": "its vendor had no export before, and its date is long before those of most other vendors",
}
FINDING_RULES = tuple(_SENTENCES)
"""Every rule, in the order in which findings are shown."""


def sentence(finding_rule: str, measured: float | None, compared_on: date | None, named: str) -> str:
    """A finding as a clause that begins with a small letter and has no full stop."""
    if measured is None and finding_rule in _UNKNOWN_DISTANCE:
        return _UNKNOWN_DISTANCE[finding_rule]
    if finding_rule == "colours_never_seen" and measured is not None and not float(measured).is_integer():
        return f"{_rounded(measured)} % of its elements have colour codes never seen: {named}"
    on_date = compared_on.isoformat() if compared_on else "the day before"
    return _SENTENCES[finding_rule].format(
        measured="" if measured is None else _rounded(measured),
        on=f" ({compared_on})" if compared_on else "",
        on_date=on_date,
        named=named,
    )


def accepted(file_name: str, vendor_code: str, text: str) -> str:
    """What is said of an export that counts and has a finding; ``text`` is the sentence of the finding."""
    return f"{file_name}: accepted, but look at {vendor_code}: {text}"


def names_unknown_vendor(message: str, vendor_code: str) -> bool:
    """Whether a message is :func:`accepted` of a vendor that tables/vendors does not have."""
    return accepted("", vendor_code, _SENTENCES["vendor_unknown"].partition("{")[0]) in message


def together(findings: Iterable[tuple[str, float | None, date | None, str]]) -> str:
    """Several findings of one export in one sentence, without a full stop."""
    in_order = sorted(findings, key=lambda finding: FINDING_RULES.index(finding[0]))
    return "; ".join(sentence(*finding) for finding in in_order)


def _rounded(value: float) -> str:
    """Three figures: 47.7, 100, 0.0105."""
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
