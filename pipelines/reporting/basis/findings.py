"""Sentences that say what was found, from ranges: each holds wherever in its range every figure lies.

Costs lie between the lower bound and the cost of their plan, differences between the ends that follow (:class:`pipelines.money.Interval`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from pipelines.money import Interval, lowest
from pipelines.reporting.basis.page_tables import between, count, money, percent
from pipelines.reporting.basis.words import listed_words, with_range


@dataclass(frozen=True)
class Found:
    """An amount and where it lies, of something that has a name."""

    name: str
    amount: Decimal
    between: Interval


def most(found: Sequence[Found]) -> Found | None:
    """The one whose amount is the largest wherever all of them lie; None where that is not known, or there is one only."""
    if len(found) < 2:
        return None
    place = lowest([-each.between for each in found])
    return None if place is None else found[place]


def in_words(found: Found, currency_code: str) -> str:
    """``38.57 EUR (between 36.91 and 40.13)``."""
    return with_range(money(found.amount, currency_code, with_code=True), between(found.between, currency_code))


def moved(changes: Sequence[Interval | None], one: str, many: str, since: str) -> str:
    """How many became dearer, cheaper, or neither clearly: ``Since 30 September 3 of 6 models became dearer and 1 cheaper; for 2 no change is clear.``

    Args:
        changes: where the change of each one lies; None where it can't be compared.
        one, many: what they are.
        since: the day they are compared with.

    Returns:
        The sentence; empty without any that can be compared.
    """
    known = [change.direction for change in changes if change is not None]
    if not known:
        return ""
    up, down, same, unclear = (known.count(direction) for direction in (1, -1, 0, None))
    if unclear == len(known):
        return f"Since {since} no clear change in what {f'the {one}' if unclear == 1 else f'the {many}'} cost{'s' * (unclear == 1)}."
    counted = [
        (up, "became dearer"),
        (down, "became cheaper"),
        (same, "cost the same"),
        (unclear, "without a clear change"),
    ]
    said = [(number, words) for number, words in counted if number]
    if len(said) == 1:
        which = f"the {one}" if len(known) == 1 else f"all {count(len(known))} {many}"
        verb = said[0][1] if len(known) > 1 else said[0][1].replace("cost the", "costs the")
        return f"Since {since} {which} {verb}."
    first, *others = (f"{count(number)} {words}" for number, words in said)
    return f"Since {since}, of {count(len(known))} {many} {listed_words([first, *others])}."


def saved(savings: Sequence[Found], currency_code: str, way: str) -> str:
    """On how many models a way of buying surely saves, and on which most: ``Cheapest mix: saves on 5 of 6 models, most on Tram, 38.57 EUR (between ...).``"""
    if not savings:
        return ""
    clear = sum(each.between.direction == 1 for each in savings)
    if not clear:
        return f"{way}: no clear saving on any model."
    of_all = f"{count(clear)} of {count(len(savings), 'model')}"
    if clear == len(savings):
        of_all = f"all {count(clear)} models" if clear > 1 else savings[0].name
    best = most(savings)
    return f"{way}: saves on {of_all}{f', most on {best.name}, {in_words(best, currency_code)}' if best else ''}."


def saving_in_words(against: Decimal, found: Found, currency_code: str) -> str:
    """``saves 10.39 EUR, 10.0 % (between 9.74 and 10.78)``, ``costs 2.10 EUR more (...)``, or that neither is clear."""
    if found.between.direction is None:
        return f"saves nothing clearly ({between(found.between, currency_code)})"
    if found.between.direction == 0:
        return "costs the same"
    amount = money(abs(found.amount), currency_code, with_code=True)
    if found.between.direction < 0:
        return with_range(f"costs {amount} more", between(-found.between, currency_code))
    share = f", {percent(found.amount / against * 100)}" if against else ""
    return with_range(f"saves {amount}{share}", between(found.between, currency_code))


def lowest_since(earlier: Sequence[tuple[str, Interval | None]], now: Interval) -> str:
    """Since when a cost is surely the lowest or highest: ``the lowest since March 2025``, or ``the lowest of 12``; empty where it is neither.

    It must be so for every value of all of them, and over at least two earlier ones. A gap ends the run: what was there is not known.

    Args:
        earlier: when, and what the cost was; earliest first, None where it is not known.
        now: the cost that is compared with them.
    """
    for word, beats in (("lowest", now.is_below), ("highest", lambda other: other.is_below(now))):
        run = 0
        for _, cost in reversed(earlier):
            if cost is None or not beats(cost):
                break
            run += 1
        if run < 2:
            continue
        if run == len(earlier):
            return f"the {word} of {count(run + 1)}"
        return f"the {word} since {earlier[-run - 1][0]}"
    return ""
