"""The rules by which an export waits for a person, or is accepted and reported. Each is a name, a verdict and a threshold."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches
from typing import Literal

from pipelines.settings_plausibility import PlausibilitySettings

Verdict = Literal["waits", "reported"]

FEW = 5
"""Of fewer elements than this, one or two that changed rightly would be a large share."""
FAR_OUT = 9.0
"""A price level that no few elements excuse: a decimal point moved by one place, a little change of prices aside."""
OTHERS_NEAR = 0.25
"""An export's date is like those of other vendors if at least this share of them is near it."""
OWN_LIST = 0.5
"""With less of its elements in its vendor's export before, or fewer of these at the same price, an export is compared with
other vendors' lists."""
SAME_LIST = 0.6
"""An export that has this share of its elements in another vendor's list, with the same prices and quantities, is that list."""
LIKE_NEWEST = (0.9, 0.1)
"""A late export has a wrong date if this share of its prices is that of the vendor's newest export, and so much less of the
export before its date."""
MISTYPED = 0.8
"""How alike a code and a known one are that are mistaken for each other: difflib's ratio, 0 to 1; one letter of five differs."""
MOST = 50
"""Of a vendor's offers with price steps, more than this are most of them, in per cent."""
NAMED_CODES = 3
"""So many codes are named in a finding."""
CODES_TO_COMPARE = 1_000
"""Among more codes than this no nearest one is looked for, because that would take minutes."""
NEW_CODES_TO_COMPARE = 50
"""So many new part codes are compared with those that are gone."""
LOOK_ALIKES = str.maketrans("oil|sbz", "0111582", "-_ .")
"""Letters that are mistaken for digits, after casefold, and marks that are left out or added (common practice, no source)."""


@dataclass(frozen=True)
class ExportKey:
    """One vendor's rows of one date in a file; corrected rows count with the file they came from."""

    file_hash: str
    vendor_code: str
    observed_on: date


@dataclass(frozen=True)
class Finding:
    """One rule that an export broke.

    Attributes:
        measured: what was measured; in the unit of the rule (days, per cent, a factor, elements).
        allowed: the most that is not reported.
        compared_file_hash, compared_on: the export it was compared with.
        named: codes that the finding names, each perhaps with the nearest known one.
    """

    finding_rule: str
    verdict: Verdict
    measured: float | None = None
    allowed: float | None = None
    compared_file_hash: str = ""
    compared_on: date | None = None
    named: str = ""


@dataclass(frozen=True)
class Compared:
    """An export beside another of its vendor: elements in either, in both, and how prices moved."""

    compared_file_hash: str
    compared_on: date
    element_count: int
    compared_count: int
    common_count: int
    other_currency_count: int
    same_price_count: int
    far_moved_count: int
    price_ratio: float | None


@dataclass(frozen=True)
class OtherList:
    """An export beside another vendor's list."""

    vendor_code: str
    file_hash: str
    observed_on: date
    common_count: int
    same_count: int
    price_ratio: float | None


@dataclass(frozen=True)
class Steps:
    """Offers of an export that have price steps, those of which some step costs more each than a lower one; the same before."""

    stepped_count: int = 0
    rising_count: int = 0
    stepped_before_count: int = 0
    rising_before_count: int = 0

    @property
    def rising_pct(self) -> float:
        """Share of the offers with price steps that rise, in per cent."""
        return 100 * self.rising_count / max(self.stepped_count, 1)

    @property
    def rising_before_pct(self) -> float:
        """The same in the export before."""
        return 100 * self.rising_before_count / max(self.stepped_before_count, 1)


@dataclass(frozen=True)
class Figures:
    """All that the rules look at of one export.

    Attributes:
        first_on, last_on: of its vendor's exports that came before it.
        last_before_on: the same, without those that came together with it.
        other_count, near_last_count, near_first_count: other vendors with exports, and those whose last export is at most
            days_ahead before its date, or first export at most days_behind after it.
        previous: its vendor's export before it, with partial ones since; None for the first one.
        newest: its vendor's newest export, where that is later.
        usual_count: elements in its vendor's full exports before it, the median of five.
        currencies: those of its prices.
        unseen: elements by code never seen, by kind of code (part_code, colour_code).
        gone_parts: parts of the export before that it does not list.
        steps: its price steps.
        others: other vendors' lists, looked up where it has little in common with its vendor's own.
    """

    is_full: bool
    element_count: int
    first_on: date | None = None
    last_on: date | None = None
    last_before_on: date | None = None
    other_count: int = 0
    near_last_count: int = 0
    near_first_count: int = 0
    previous: Compared | None = None
    newest: Compared | None = None
    usual_count: float | None = None
    currencies: frozenset[str] = frozenset()
    unseen: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    gone_parts: frozenset[str] = frozenset()
    steps: Steps = Steps()
    others: tuple[OtherList, ...] = ()


@dataclass(frozen=True)
class Known:
    """What the workspace's tables know: vendors and their currencies, colours, and currencies with an exchange rate."""

    vendor_currencies: Mapping[str, str]
    colours: frozenset[str]
    currencies_with_rate: frozenset[str]


def findings_of(key: ExportKey, figures: Figures, known: Known, settings: PlausibilitySettings) -> list[Finding]:
    """All that is not plausible about an export; empty if it is believed without a word."""
    return [
        *_dates(key, figures, settings),
        *_size(figures, settings),
        *_prices(figures, settings),
        *_steps(figures, settings),
        *_currencies(key, figures, known),
        *_lists(figures, settings),
        *_codes(key, figures, known, settings),
    ]


def needs_other_lists(figures: Figures) -> bool:
    """Whether an export has so little in common with its vendor's own that other vendors' lists must be looked at."""
    previous = figures.previous
    return (
        previous is None
        or previous.common_count < OWN_LIST * figures.element_count
        or previous.same_price_count < OWN_LIST * previous.common_count
    )


def _dates(key: ExportKey, figures: Figures, settings: PlausibilitySettings) -> Iterator[Finding]:
    few_near = OTHERS_NEAR * figures.other_count
    has_others = figures.other_count > 0
    ahead = (key.observed_on - figures.last_on).days if figures.last_on else None
    if figures.near_last_count < few_near or not has_others:
        if ahead is not None and ahead > settings.days_ahead:
            yield Finding("dated_ahead", "waits", ahead, settings.days_ahead, compared_on=figures.last_on)
        elif ahead is None and has_others:
            yield Finding("dated_ahead", "waits", None, settings.days_ahead)
    behind = (figures.first_on - key.observed_on).days if figures.first_on else None
    if figures.near_first_count < few_near or not has_others:
        if behind is not None and behind > settings.days_behind:
            yield Finding("dated_behind", "waits", behind, settings.days_behind, compared_on=figures.first_on)
        elif behind is None and has_others:
            yield Finding("dated_behind", "waits", None, settings.days_behind)
    late = (figures.last_before_on - key.observed_on).days if figures.last_before_on else 0
    if late > settings.days_late:
        yield Finding("dated_late", "reported", late, settings.days_late, compared_on=figures.last_before_on)
    newest, previous = figures.newest, figures.previous
    if late > 0 and newest and newest.common_count >= FEW:
        like_newest = newest.same_price_count / figures.element_count
        is_before = previous is not None and previous.compared_on <= key.observed_on
        like_previous = previous.same_price_count / figures.element_count if previous and is_before else 0.0
        least, more = LIKE_NEWEST
        if like_newest >= least and like_newest - like_previous >= more:
            share = 100 * like_newest
            yield Finding(
                "like_newest_export", "waits", share, 100 * least, newest.compared_file_hash, newest.compared_on
            )


def _size(figures: Figures, settings: PlausibilitySettings) -> Iterator[Finding]:
    previous = figures.previous
    if not figures.is_full or previous is None:
        return
    usual = previous.compared_count if figures.usual_count is None else figures.usual_count
    compared = (previous.compared_file_hash, previous.compared_on)
    gone = previous.compared_count - previous.common_count
    share = 100 * gone / max(usual, previous.compared_count)
    if share > (settings.offers_gone_pct if gone >= FEW else 50):
        yield Finding("offers_gone", "waits", share, settings.offers_gone_pct, *compared)
    elif (
        usual - figures.element_count >= FEW
        and figures.element_count < usual * (1 - settings.offers_gone_pct / 100) <= previous.compared_count
    ):
        # Bit by bit: no export alone has lost that much.
        share = 100 * (1 - figures.element_count / usual)
        yield Finding("offers_gone", "waits", share, settings.offers_gone_pct, *compared)
    factor = figures.element_count / usual if usual else 0.0
    if factor > settings.growth_factor and figures.element_count - usual >= FEW:
        yield Finding("list_grown", "waits", factor, settings.growth_factor, *compared)


def _prices(figures: Figures, settings: PlausibilitySettings) -> Iterator[Finding]:
    previous = figures.previous
    if previous is None:
        return
    compared = (previous.compared_file_hash, previous.compared_on)
    comparable = previous.common_count - previous.other_currency_count
    allowed = settings.price_level_factor if comparable >= FEW else FAR_OUT
    if previous.price_ratio is not None and _is_beyond(previous.price_ratio, allowed):
        yield Finding("price_level", "waits", previous.price_ratio, allowed, *compared)
    elif previous.far_moved_count >= FEW:
        share = 100 * previous.far_moved_count / comparable
        if share > settings.far_moved_pct:
            yield Finding("prices_far_moved", "waits", share, settings.far_moved_pct, *compared)


def _steps(figures: Figures, settings: PlausibilitySettings) -> Iterator[Finding]:
    """Prices that rise with the quantity, unless they did so in the vendor's export before: then it is the vendor's way."""
    steps, previous, allowed = figures.steps, figures.previous, settings.rising_steps_pct
    compared = (previous.compared_file_hash, previous.compared_on) if previous else ("", None)
    if steps.rising_pct > max(MOST, allowed) >= steps.rising_before_pct:
        is_new = steps.stepped_before_count > 0 and steps.rising_count >= FEW
        yield Finding("steps_rising", "waits" if is_new else "reported", steps.rising_pct, allowed, *compared)
    elif steps.rising_pct > allowed >= steps.rising_before_pct:
        yield Finding("steps_rising", "reported", steps.rising_pct, allowed, *compared)


def _is_beyond(ratio: float, factor: float) -> bool:
    return abs(math.log(ratio)) > math.log(factor)


def _currencies(key: ExportKey, figures: Figures, known: Known) -> Iterator[Finding]:
    previous, own = figures.previous, known.vendor_currencies.get(key.vendor_code)
    if previous and previous.other_currency_count:
        named = ", ".join(sorted(figures.currencies))
        compared = (previous.compared_file_hash, previous.compared_on)
        yield Finding("currency_changed", "waits", previous.other_currency_count, 0, *compared, named)
    elif own and (others := figures.currencies - {own}) and (previous is None or not previous.common_count):
        yield Finding("currency_not_vendors", "waits", named=f"{', '.join(sorted(others))} (expected: {own})")
    if unpriced := figures.currencies - known.currencies_with_rate:
        yield Finding("currency_without_rate", "reported", named=", ".join(sorted(unpriced)))


def _lists(figures: Figures, settings: PlausibilitySettings) -> Iterator[Finding]:
    """For an export with little in common with its vendor's own: whose list it is, and whether its prices are of this market."""
    if not figures.others:
        return
    like = max(figures.others, key=lambda other: (other.same_count, other.vendor_code))
    share = like.same_count / figures.element_count
    if share > SAME_LIST and like.same_count >= FEW:
        compared = (like.file_hash, like.observed_on)
        yield Finding("list_of_other_vendor", "waits", 100 * share, 100 * SAME_LIST, *compared, like.vendor_code)
    ratios = sorted(other.price_ratio for other in figures.others if other.price_ratio and other.common_count >= FEW)
    own = figures.previous.common_count if figures.previous else 0
    if ratios and own < OWN_LIST * figures.element_count:
        middle = ratios[len(ratios) // 2]
        if _is_beyond(middle, settings.market_level_factor):
            yield Finding("market_level", "waits", middle, settings.market_level_factor)


def _codes(key: ExportKey, figures: Figures, known: Known, settings: PlausibilitySettings) -> Iterator[Finding]:
    if key.vendor_code not in known.vendor_currencies and figures.first_on is None:
        named = _named([key.vendor_code], known.vendor_currencies)
        if any(_is_mistyped(key.vendor_code, other) for other in known.vendor_currencies):
            yield Finding("vendor_mistyped", "waits", named=named)
        else:
            yield Finding("vendor_unknown", "reported", named=named)
    for kind, pool in (("part_code", figures.gone_parts), ("colour_code", known.colours)):
        unseen = figures.unseen.get(kind, {})
        count = sum(unseen.values())
        share = 100 * count / max(figures.element_count, 1)
        word = kind.removesuffix("_code")
        codes = sorted(unseen, key=lambda code: (-unseen[code], code))
        if figures.is_full and figures.previous and count >= FEW and share > settings.new_codes_pct:
            named = _named(codes, pool)
            yield Finding(f"{word}s_never_seen", "waits", share, settings.new_codes_pct, named=named)
        elif kind == "colour_code" and codes:
            yield Finding("colours_never_seen", "reported", count, 0, named=_named(codes, pool))
        elif kind == "part_code" and (
            mistyped := [code for code in codes[:NEW_CODES_TO_COMPARE] if _nearest(code, pool, MISTYPED)]
        ):
            yield Finding("parts_mistyped", "reported", len(mistyped), 0, named=_named(mistyped, pool))


def _named(codes: list[str], known: Mapping[str, str] | frozenset[str]) -> str:
    """The first codes, each with the nearest known one."""
    shown = []
    for code in codes[:NAMED_CODES]:
        near = _nearest(code, known)
        shown.append(f"{code} (nearest known: {near})" if near else code)
    more = len(codes) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more > 0 else "")


def _is_mistyped(code: str, known: str) -> bool:
    """Whether a code looks like a known one; codes that differ in their numbers alone do not, because v11 may follow v10."""
    one, other = (text.casefold().translate(LOOK_ALIKES) for text in (code, known))
    if one == other:
        return True
    same_digits = [c for c in one if c.isdigit()] == [c for c in other if c.isdigit()]
    return same_digits and bool(get_close_matches(one, [other], 1, MISTYPED))


def _nearest(code: str, known: Mapping[str, str] | frozenset[str], cutoff: float = 0.6) -> str:
    """The known code most like this one, capitals and small letters alike, a slip of the fingers first; empty if none is like it."""
    if not 0 < len(known) <= CODES_TO_COMPARE:
        return ""
    folded = {each.casefold(): each for each in sorted(known, reverse=True)}
    typed = code.casefold()
    meant = _meant(typed) & folded.keys()
    found = get_close_matches(typed, sorted(meant), 1, 0.0) if meant else get_close_matches(typed, folded, 1, cutoff)
    return folded[found[0]] if found else ""


def _meant(typed: str) -> set[str]:
    """What a person may have meant who exchanged two neighbouring characters, added one that is no digit, or did both.

    Two exchanged digits alone are another number, not a slip; and a digit too many is left to difflib's ratio: codes would be
    alike by chance.
    """
    shorter = {typed[:n] + typed[n + 1 :] for n, character in enumerate(typed) if not character.isdigit()}
    exchanged = {each for one in shorter for each in _exchanged(one, digits_too=True)}
    return shorter | exchanged | _exchanged(typed, digits_too=False)


def _exchanged(code: str, *, digits_too: bool) -> set[str]:
    pairs = [n for n in range(len(code) - 1) if digits_too or not code[n : n + 2].isdigit()]
    return {code[:n] + code[n + 1] + code[n] + code[n + 2 :] for n in pairs}
