"""How far a change can move the cost of every plan, from the change and the vendors' terms alone, without planning.

Where every plan that vendors accept costs between ``low`` and ``high`` times as much as before, so does the best possible one.
That says more than bounds of two plans made apart: a higher tax makes nothing cheaper.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, fields
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from pipelines.costing.order_penalties import penalties_under
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
    if any(penalties_under(here.scenario).of(terms.vendor_code) for terms in here.vendor_terms):
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


def _moved_values(factor: Fraction, terms: VendorTerms) -> CostRatio:
    """All of the cost is multiplied but for duty, which may reach another step."""
    if not terms.border:
        return CostRatio(factor, factor)
    return _one_way(factor) if _is_rising(terms) else UNKNOWN


def _one_way(factor: Fraction) -> CostRatio:
    return NO_DEARER if factor <= 1 else NO_CHEAPER


def _of_prices(changes: ChangedAssumptions, terms: VendorTerms, lowest: Decimal | None) -> CostRatio:
    """Charges that only fall as goods grow make up for a part of any change; thresholds may make up for more."""
    if changes.price_pct is None or lowest is None:
        return UNKNOWN
    factor, rounding = 1 + Fraction(changes.price_pct) / 100, HALF_A_MILLIONTH / Fraction(lowest)
    low, high = factor - rounding, max(factor + rounding, LEAST_PRICE / Fraction(lowest))
    has_steps = bool(terms.border) or any(step.basis == "goods_value" for step in terms.shipping_steps)
    is_one_way = not _has_thresholds(terms) and _is_rising(terms)
    if high <= 1:
        return CostRatio(Fraction(0) if has_steps else low, Fraction(1) if is_one_way else None)
    if low >= 1:
        return CostRatio(Fraction(1) if is_one_way else Fraction(0), None if has_steps else high)
    return UNKNOWN


def _is_rising(terms: VendorTerms) -> bool:
    """Whether duty, and shipping by the goods' value, is never lower for goods of a higher value."""
    border = sorted(terms.border, key=lambda step: step.goods_from)
    shipping = sorted(
        (step for step in terms.shipping_steps if step.basis == "goods_value"), key=lambda step: step.from_value
    )
    return all(
        one.duty_pct <= other.duty_pct and one.clearance_charge <= other.clearance_charge
        for one, other in pairwise(border)
    ) and all(one.charge <= other.charge for one, other in pairwise(shipping))


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
        return _moved_values(factor, terms)
    return _between(factor) if terms.tax_on == "goods" or terms.border else CostRatio(factor, factor)


def _of_rates(changes: ChangedAssumptions, terms: VendorTerms, _lowest: Decimal | None) -> CostRatio:
    if terms.currency_code == terms.buyer_currency_code:
        return _between(Fraction(1))
    return _moved_values(1 + Fraction(changes.rate_pct or 0) / 100, terms)


_RATIOS = {"price_pct": _of_prices, "shipping_pct": _of_shipping, "tax_points": _of_tax, "rate_pct": _of_rates}
