"""How far a change can move the cost of every plan, from the change and the vendors' terms alone, without planning.

Where every plan that vendors accept costs between ``low`` and ``high`` times as much as before, so does the best possible one.
That says more than bounds of two plans made apart: a higher tax makes nothing cheaper.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, fields
from decimal import Decimal
from fractions import Fraction

from pipelines.costing.order_penalties import NO_PENALTIES, penalties_under
from pipelines.costing.terms import VendorTerms
from pipelines.insight.replanning.changed_assumptions import NO_CHANGES, ChangedAssumptions
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.money import Interval, currency_digits, round_down

HALF_A_MILLIONTH = Fraction(1, 2_000_000)
"""Changed prices are rounded to six digits."""
LEAST_PRICE = Fraction(1, 1_000_000)


@dataclass(frozen=True)
class CostRatio:
    """Between how many times the cost as it is the best possible plan costs as changed; ``high`` None where that is not known."""

    low: Fraction = Fraction(0)
    high: Fraction | None = None

    def difference(self, cost: Interval) -> tuple[Fraction, Fraction | None]:
        """The ends of what the change adds to a cost that lies between two ends."""
        less, more = self.low - 1, None if self.high is None else self.high - 1
        low = less * Fraction(cost.high if less < 0 else cost.low)
        return low, None if more is None else more * Fraction(cost.low if more < 0 else cost.high)


UNKNOWN = CostRatio()
NO_DEARER, NO_CHEAPER = CostRatio(Fraction(0), Fraction(1)), CostRatio(Fraction(1))


def within_limits(
    between: Interval, amount: Decimal, landed: Interval, estimates: Decimal, ratio: CostRatio, money: str
) -> Interval:
    """The range of a difference, cut to what the ratio of costs allows; it still holds the amount.

    Args:
        between: the range from the bounds of both plans.
        amount: the difference of the plans' complete costs; rounding may put it cents outside of the limits.
        landed: where the landed cost as it is lies.
        estimates: the difference of the estimates for missing pieces.
        ratio: of landed costs.
        money: the currency's code.
    """
    least, most = ratio.difference(landed)
    digits = currency_digits(money)
    low = max(between.low, round_down(least, digits) + estimates)
    high = between.high if most is None else min(between.high, estimates - round_down(-most, digits))
    return Interval(min(low, amount), max(high, amount))


def ratio_under(changes: ChangedAssumptions, here: SharedMarket) -> CostRatio:
    """Limits of the cost of plans that leave equally much unfilled; unknown where several things change.

    Args:
        changes: what is changed.
        here: the market as it is.
    """
    # Penalties of orders do not change with costs, so the best possible plan may then be another one.
    if penalties_under(here.scenario) != NO_PENALTIES:
        return UNKNOWN
    names = _changed(changes)
    if names and names <= _FORBIDDING and not here.scenario.forced_vendors:
        return NO_CHEAPER
    return NO_DEARER if names == {"with_used"} else ratio_of_vendors(changes, here.vendor_terms, here.lowest_price)


def ratio_of_vendors(changes: ChangedAssumptions, terms: Iterable[VendorTerms], lowest: Decimal | None) -> CostRatio:
    """Limits of the cost of any plan that buys from these vendors, where only prices, shipping, tax or rates change.

    Args:
        changes: what is changed.
        terms: of the vendors, as they are.
        lowest: the lowest price of a piece in any of their currencies; None where nothing is on offer.
    """
    names = _changed(changes)
    if len(names) != 1 or not names <= set(_RATIOS):
        return UNKNOWN
    (name,) = names
    ratios = [_RATIOS[name](changes, each, lowest) for each in terms]
    highs = [ratio.high for ratio in ratios if ratio.high is not None]
    return CostRatio(
        min((ratio.low for ratio in ratios), default=Fraction(0)),
        max(highs) if highs and len(highs) == len(ratios) else None,
    )


def _changed(changes: ChangedAssumptions) -> set[str]:
    return {each.name for each in fields(changes) if getattr(changes, each.name) != getattr(NO_CHANGES, each.name)}


_FORBIDDING = {
    "without_vendors", "only_vendors", "maximum_vendor_count", "new_only", "without_substitutes", "without_maker",
}  # fmt: skip
"""Changes under which only some of the plans are left, at the same cost. Without flexibility other plans may be: a rule may
refuse the listed colour."""


def _between(factor: Fraction) -> CostRatio:
    """A part of the cost is multiplied, the rest stays."""
    return CostRatio(min(factor, Fraction(1)), max(factor, Fraction(1)))


def _of_prices(changes: ChangedAssumptions, terms: VendorTerms, lowest: Decimal | None) -> CostRatio:
    """Charges that only fall as goods grow make up for a part of any change; thresholds may make up for more."""
    if changes.price_pct is None or lowest is None or terms.border or _has_steps_by_value(terms):
        return UNKNOWN
    factor, rounding = 1 + Fraction(changes.price_pct) / 100, HALF_A_MILLIONTH / Fraction(lowest)
    low, high = factor - rounding, max(factor + rounding, LEAST_PRICE / Fraction(lowest))
    is_plain = not _has_thresholds(terms)
    if high <= 1:
        return CostRatio(low, Fraction(1) if is_plain else None)
    return (
        CostRatio(Fraction(1) if is_plain and low >= 1 else Fraction(0), max(high, Fraction(1)))
        if low >= 1
        else UNKNOWN
    )


def _has_steps_by_value(terms: VendorTerms) -> bool:
    return any(step.basis == "goods_value" for step in terms.shipping_steps)


def _has_thresholds(terms: VendorTerms) -> bool:
    """Whether goods of a higher value may cost less in all, or be accepted where others are not."""
    waived: Collection[object] = [handling.waived_from for handling in terms.handling.values()]
    return bool(
        terms.minimum_order
        or terms.minimum_line_value
        or terms.soft_minimum
        or terms.shipping_waived_from is not None
        or (terms.discount_from and terms.discount_pct)
        or any(each is not None for each in waived)
    )


def _of_shipping(changes: ChangedAssumptions, _terms: VendorTerms, _lowest: Decimal | None) -> CostRatio:
    return _between(1 + Fraction(changes.shipping_pct or 0) / 100)


def _of_tax(changes: ChangedAssumptions, terms: VendorTerms, _lowest: Decimal | None) -> CostRatio:
    if not terms.tax_rate_pct:
        return _between(Fraction(1))
    rate = max(Decimal(0), terms.tax_rate_pct + (changes.tax_points or Decimal(0)))
    factor = (1 + Fraction(rate) / 100) / (1 + Fraction(terms.tax_rate_pct) / 100)
    if terms.tax_on == "included":  # the value that duty is charged on moves as well, over steps of duty
        return UNKNOWN if terms.border else CostRatio(factor, factor)
    return _between(factor) if terms.tax_on == "goods" or terms.border else CostRatio(factor, factor)


def _of_rates(changes: ChangedAssumptions, terms: VendorTerms, _lowest: Decimal | None) -> CostRatio:
    if terms.currency_code == terms.buyer_currency_code:
        return _between(Fraction(1))
    factor = 1 + Fraction(changes.rate_pct or 0) / 100
    return UNKNOWN if terms.border else CostRatio(factor, factor)


_RATIOS = {"price_pct": _of_prices, "shipping_pct": _of_shipping, "tax_points": _of_tax, "rate_pct": _of_rates}
