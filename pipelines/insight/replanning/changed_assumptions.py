"""Assumptions of a plan that are changed: other terms, prices, rules or flexible lines than the workspace has."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction

import polars as pl

from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import TermsBook
from pipelines.money import round_half_up
from pipelines.settings import Scenario


@dataclass(frozen=True)
class ChangedAssumptions:
    """What is assumed otherwise; an assumption left out stays as it is.

    Attributes:
        shipping_pct: shipping charges are higher by so many per cent; lower if negative.
        flat_shipping: every independent vendor's flat shipping charge, unless it is 0, in the buyer's currency.
        tax_points: tax rates are higher by so many percentage points, not below 0, where a vendor charges tax; net prices stay.
        price_pct: prices are higher by so many per cent.
        rate_pct: foreign currencies are dearer by so many per cent.
        without_vendors, only_vendors: vendors not used, or the only ones used.
        maximum_vendor_count: the most vendors in the plan.
        with_used, new_only: whether every portion takes used parts, or none does.
        without_flexibility, without_substitutes: whether flexibility of colour, or of form, does not count.
        lines_in_any_colour, lines_as_listed: lines whose rules are replaced.
        without_maker: whether the maker's shop is not used.
    """

    shipping_pct: Decimal | None = None
    flat_shipping: Decimal | None = None
    tax_points: Decimal | None = None
    price_pct: Decimal | None = None
    rate_pct: Decimal | None = None
    without_vendors: tuple[str, ...] = ()
    only_vendors: tuple[str, ...] = ()
    maximum_vendor_count: int | None = None
    with_used: bool = False
    new_only: bool = False
    without_flexibility: bool = False
    without_substitutes: bool = False
    lines_in_any_colour: tuple[int, ...] = field(default=())
    lines_as_listed: tuple[int, ...] = field(default=())
    without_maker: bool = False

    def in_scenario(self, scenario: Scenario) -> Scenario:
        """The rules as changed."""
        update: dict[str, object] = {}
        if self.without_vendors:
            update["forbidden_vendors"] = sorted({*scenario.forbidden_vendors, *self.without_vendors})
            update["forced_vendors"] = [code for code in scenario.forced_vendors if code not in self.without_vendors]
        if self.only_vendors:
            update["only_vendors"] = sorted(self.only_vendors)
            update["forced_vendors"] = [code for code in scenario.forced_vendors if code in self.only_vendors]
        if self.maximum_vendor_count is not None:
            update["maximum_vendor_count"] = self.maximum_vendor_count
        if self.with_used:
            update["conditions"] = ["new", "used"]
        if self.new_only:
            update["conditions"] = ["new"]
        if self.without_flexibility:
            update["use_flexibility"] = False
        if self.without_substitutes:
            update["use_substitutes"] = False
        if self.without_maker:
            update["maker"] = "none"
        return scenario.model_copy(update=update)

    def in_terms(self, book: TermsBook) -> TermsBook:
        """The vendors' terms as changed."""
        return replace(book, vendors={code: self.in_terms_of(terms) for code, terms in book.vendors.items()})

    def in_terms_of(self, terms: VendorTerms) -> VendorTerms:
        """One vendor's terms as changed."""
        if self.flat_shipping is not None and terms.vendor_kind == "independent" and terms.shipping_charge:
            terms = replace(terms, shipping_charge=_to_six(Fraction(self.flat_shipping) / terms.rate))
        if self.shipping_pct is not None:
            factor = _factor(self.shipping_pct)
            steps = tuple(
                replace(step, charge=_to_six(Fraction(step.charge) * factor)) for step in terms.shipping_steps
            )
            terms = replace(
                terms, shipping_charge=_to_six(Fraction(terms.shipping_charge) * factor), shipping_steps=steps
            )
        if self.tax_points is not None and terms.tax_rate_pct:
            rate = max(Decimal(0), terms.tax_rate_pct + self.tax_points)
            if terms.tax_on == "included":  # net prices stay, so what is displayed moves with the tax in it
                terms = replace(terms, rate=terms.rate * _factor(rate) / _factor(terms.tax_rate_pct))
            terms = replace(terms, tax_rate_pct=rate)
        if self.rate_pct is not None and terms.currency_code != terms.buyer_currency_code:
            terms = replace(terms, rate=terms.rate * _factor(self.rate_pct))
        return terms

    def in_prices(self, market: pl.DataFrame) -> pl.DataFrame:
        """Offers at the changed prices, rounded half-up to six digits, and at least one millionth."""
        if self.price_pct is None:
            return market
        factor = _factor(self.price_pct)
        prices = market["unit_price"].to_list()
        changed = {price: max(_to_six(Fraction(price) * factor), Decimal("0.000001")) for price in set(prices)}
        return market.with_columns(
            pl.Series("unit_price", [changed[price] for price in prices], dtype=pl.Decimal(18, 6))
        )

    @property
    def changes_portions(self) -> bool:
        """Whether portions have other rules than the workspace's."""
        return bool(self.new_only or self.lines_in_any_colour or self.lines_as_listed)

    def in_portions(self, portions: pl.DataFrame) -> pl.DataFrame:
        """Portions with some lines in any colour and others as listed; a changed portion leaves its colour group."""
        if not self.changes_portions:
            return portions
        in_any_colour, as_listed = (
            pl.col("line_number").is_in(lines) for lines in (self.lines_in_any_colour, self.lines_as_listed)
        )
        no_codes = pl.lit([], dtype=pl.List(pl.String))
        rule = (
            pl.when(in_any_colour)
            .then(pl.lit("any"))
            .when(as_listed)
            .then(pl.lit("as_listed"))
            .otherwise(pl.col("colour_rule"))
        )
        alone = pl.when(in_any_colour | as_listed).then(pl.lit("")).otherwise(pl.col("group_code"))
        accepted = pl.when(as_listed).then(no_codes).otherwise(pl.col("accept_colour_codes"))
        refused = pl.when(as_listed).then(no_codes).otherwise(pl.col("refuse_colour_codes"))
        conditions = pl.col("accept_conditions")
        if self.new_only:
            conditions = pl.lit(["new"], dtype=pl.List(pl.String))
        return portions.with_columns(
            rule.alias("colour_rule"),
            alone.alias("group_code"),
            accepted.alias("accept_colour_codes"),
            refused.alias("refuse_colour_codes"),
            conditions.alias("accept_conditions"),
        )


NO_CHANGES = ChangedAssumptions()


def _factor(pct: Decimal) -> Fraction:
    return 1 + Fraction(pct) / 100


def _to_six(value: Fraction | Decimal) -> Decimal:
    return round_half_up(value, 6)
