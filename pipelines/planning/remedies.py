"""What would let a portion be filled that can't be bought, in plain words."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipelines.costing.several_orders import first_orders, with_order_numbers
from pipelines.costing.terms_on import TermsBook
from pipelines.demand.colour_distance import distances
from pipelines.demand.fitting import CONDITIONS, PORTION_KEY, accepted, fitting_elements
from pipelines.inputs import WorkspaceInputs
from pipelines.planning.candidates import OFFER_KEY, allowed_terms, buyable_steps, steps_under_terms, why_forbidden
from pipelines.settings import Scenario

NOTHING_KNOWN = "no vendor offers it in any form or colour that could serve"


@dataclass(frozen=True)
class _Rules:
    inputs: WorkspaceInputs
    day: date
    scenario: Scenario
    book: TermsBook
    maker_lines: frozenset[int]

    def on_offer(
        self,
        portions: pl.DataFrame,
        steps: pl.DataFrame,
        use_substitutes: bool | None = None,
        conditions: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """The offers that fit portions directly: portion, offer identity and pieces there are."""
        in_any_condition = fitting_elements(
            portions,
            self.inputs.tables,
            self.day,
            use_substitutes=self.scenario.use_substitutes if use_substitutes is None else use_substitutes,
        ).filter(pl.col("combination_code") == "")
        fits = accepted(in_any_condition, portions, conditions or self.scenario.conditions)
        offers = steps.unique(OFFER_KEY).select(*OFFER_KEY, "quantity_available", "form_certainty")
        return (
            fits.join(offers, on=["part_code", "colour_code", "condition"])
            .filter(~pl.col("needs_stated_form") | (pl.col("form_certainty") == "stated"))
            .select(*PORTION_KEY, *OFFER_KEY, "quantity_available")
        )

    def in_scenario(self, on_offer: pl.DataFrame) -> pl.DataFrame:
        """The offers without the maker's for lines that the scenario does not buy there."""
        if self.scenario.maker != "marked":
            return on_offer
        is_maker = pl.col("vendor_code").is_in(self.makers)
        return on_offer.filter(~is_maker | pl.col("line_number").is_in(list(self.maker_lines)))

    @property
    def makers(self) -> list[str]:
        return [code for code, terms in self.book.vendors.items() if terms.vendor_kind == "maker"]

    def why_not(self, vendor_code: str) -> str:
        """Why the plan does not buy what fits from a vendor."""
        terms = self.book.vendors.get(vendor_code)
        if terms is None:
            return self.book.why_left_out(vendor_code)
        reason = why_forbidden(terms, self.scenario)
        if not reason and self.scenario.maker == "marked" and vendor_code in self.makers:
            return "the line is not among the model's maker_lines"
        return reason or "its prices are in another currency than its terms"


def remedies(
    unfilled: pl.DataFrame,
    bought: pl.DataFrame,
    market: pl.DataFrame,
    inputs: WorkspaceInputs,
    day: date,
    scenario: Scenario,
    book: TermsBook,
    maker_lines: Collection[int] = (),
) -> dict[tuple[int, int], str]:
    """For each portion the nearest change that would fill it: another colour, form, vendor or condition.

    They are tried in this order. The first with enough pieces on offer is named, else the one with most. Before all of them
    come pieces that fit but that the vendors' rules kept out of the plan.

    Args:
        unfilled: PORTIONS_SCHEMA, ``quantity`` being the pieces missing.
        bought: vendor_code, part_code, colour_code, condition, listing_code and quantity the plan buys.
        market: as for ``candidates.candidates``.
        inputs: the workspace.
        day: the date of the plan.
        scenario: the plan's rules.
        book: the vendors' terms.
        maker_lines: the lines that a scenario with ``maker = marked`` buys at the maker's shop.
    """
    rules = _Rules(inputs, day, scenario, book, frozenset(maker_lines))
    every_step = buyable_steps(market)
    steps = steps_under_terms(every_step, first_orders(allowed_terms(scenario, book)))
    fitting = rules.in_scenario(rules.on_offer(unfilled, steps))
    any_colour = unfilled.with_columns(
        pl.lit("any").alias("colour_rule"), pl.lit([], dtype=pl.List(pl.String)).alias("accept_colour_codes")
    )
    without_load = unfilled.with_columns(pl.lit(False).alias("is_load_bearing"))

    def beyond(frame: pl.DataFrame) -> dict[tuple[int, int], list[dict[str, Any]]]:
        return _by_portion(frame.join(fitting, on=[*PORTION_KEY, *OFFER_KEY], how="anti"))

    in_all_orders = with_order_numbers(bought).group_by(OFFER_KEY).agg(pl.col("quantity").sum().alias("bought"))
    left = fitting.join(in_all_orders, on=OFFER_KEY, how="left").with_columns(
        pl.col("quantity_available") - pl.col("bought").fill_null(0)
    )
    kept_out = _by_portion(left.filter(pl.col("quantity_available") > 0))
    colours = beyond(rules.in_scenario(rules.on_offer(any_colour, steps)))
    substitutes = beyond(rules.in_scenario(rules.on_offer(unfilled, steps, use_substitutes=True)))
    weaker = beyond(rules.in_scenario(rules.on_offer(without_load, steps, use_substitutes=True)))
    vendors = beyond(rules.on_offer(unfilled, every_step))
    conditions = beyond(rules.in_scenario(rules.on_offer(unfilled, steps, conditions=CONDITIONS)))
    measured = distances(inputs.tables["colours"], unfilled["listed_colour_code"])
    distance = {(listed, code): value for listed, code, value in measured.iter_rows()}
    names = dict(inputs.tables["colours"].select("colour_code", "colour_name").iter_rows())

    found = {}
    for portion in unfilled.iter_rows(named=True):
        key = (portion["line_number"], portion["portion_number"])
        if pieces := _pieces(kept_out.get(key, [])):
            found[key] = (
                f"{_count(pieces)} on offer, but the vendors' minimums, multiples and limits, or the one colour of a "
                "group, keep them out of the plan"
            )
            continue
        options = [
            _colour_option(colours.get(key, []), portion, distance, names),
            _part_option(substitutes.get(key, []), portion, "a substitute:"),
            _part_option(weaker.get(key, []), portion, "if it bore no load: the form"),
            _vendor_option(vendors.get(key, []), rules),
            _condition_option(conditions.get(key, [])),
        ]
        found[key] = _nearest(options, portion["quantity"])
    return found


Option = tuple[int, str]


def _nearest(options: list[Option], need: int) -> str:
    for pieces, words in options:
        if pieces >= need:
            return words
    pieces, words = max(options, key=lambda option: option[0])
    return words if pieces else NOTHING_KNOWN


def _by_portion(frame: pl.DataFrame) -> dict[tuple[int, int], list[dict[str, Any]]]:
    found: dict[tuple[int, int], list[dict[str, Any]]] = {}
    for row in frame.sort(*PORTION_KEY, *OFFER_KEY).iter_rows(named=True):
        found.setdefault((row["line_number"], row["portion_number"]), []).append(row)
    return found


def _pieces(offers: list[dict[str, Any]]) -> int:
    return sum(offer["quantity_available"] for offer in offers)


def _count(pieces: int) -> str:
    return "1 piece is" if pieces == 1 else f"{pieces} pieces are"


def _totals(offers: list[dict[str, Any]], name: str) -> dict[str, int]:
    totals: dict[str, int] = {}
    for offer in offers:
        totals[offer[name]] = totals.get(offer[name], 0) + offer["quantity_available"]
    return totals


def _colour_option(
    offers: list[dict[str, Any]],
    portion: dict[str, Any],
    distance: dict[tuple[str, str], float],
    names: dict[str, str],
) -> Option:
    """The nearest colour with enough pieces; else all other colours together."""
    totals = _totals(offers, "colour_code")
    if not totals:
        return 0, ""

    def how_far(code: str) -> float:
        return distance.get((portion["listed_colour_code"], code), 1000.0)

    ordered = sorted(totals, key=lambda code: (how_far(code), code))
    enough = [code for code in ordered if totals[code] >= portion["quantity"]]
    nearest = (enough or ordered)[0]
    pieces = totals[nearest] if enough else sum(totals.values())
    measured = f" (CIEDE2000 {how_far(nearest):.1f})" if how_far(nearest) < 1000 else ""
    name = names.get(nearest, nearest)
    if enough:
        return pieces, f"another colour: {_count(pieces)} on offer in {name}{measured}"
    return pieces, f"other colours: {_count(pieces)} on offer, the nearest in {name}{measured}"


def _part_option(offers: list[dict[str, Any]], portion: dict[str, Any], words: str) -> Option:
    totals = _totals(offers, "part_code")
    if not totals:
        return 0, ""
    enough = [part for part in sorted(totals) if totals[part] >= portion["quantity"]]
    part = enough[0] if enough else max(sorted(totals), key=lambda code: totals[code])
    return totals[part], f"{words} {part}, of which {_count(totals[part])} on offer"


def _vendor_option(offers: list[dict[str, Any]], rules: _Rules) -> Option:
    totals = _totals(offers, "vendor_code")
    if not totals:
        return 0, ""
    vendor = max(sorted(totals), key=lambda code: totals[code])
    names = dict(rules.inputs.tables["vendors"].select("vendor_code", "vendor_name").iter_rows())
    sentence = f"the vendor {names.get(vendor, vendor)}, who has {totals[vendor]}, but {rules.why_not(vendor)}"
    return totals[vendor], sentence


def _condition_option(offers: list[dict[str, Any]]) -> Option:
    totals = _totals(offers, "condition")
    if not totals:
        return 0, ""
    condition = sorted(totals)[0]
    return totals[condition], f"{condition} pieces, of which {_count(totals[condition])} on offer"
