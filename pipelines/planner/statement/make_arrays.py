"""Makes the arrays of a purchase problem, and leaves out what no plan can have.

Kept are price steps that some quantity reaches, offers that ship, and combinations with an offer for every component. The map
back are the rows in the problem: ``use_row`` and ``offer_row``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import polars as pl

from pipelines.costing.landed_cost import PURCHASE_COLUMNS
from pipelines.costing.price_steps import bases
from pipelines.planner.statement.bands import VendorBands, compile_terms, with_penalties
from pipelines.planner.statement.columns_as_arrays import (
    MICRO,
    Flags,
    Floats,
    Ints,
    in_micro,
    in_micro_ceiling,
    ints,
    ranks,
)
from pipelines.planner.statement.money import in_units
from pipelines.planner.statement.problem import Problem
from pipelines.planner.statement.problem_arrays import ProblemArrays, SharedStock, Vendors
from pipelines.planner.statement.shared_stock import alike_orders, shared_stock

_UNLIMITED = np.iinfo(np.int64).max // 2

_TOO_DEAR = 2.0**62
"""A price step is in no plan whose least purchase is worth so many millionths: more than whole numbers here can hold."""


def arrays_of(problem: Problem) -> ProblemArrays:
    """The problem as arrays."""
    codes = problem.offers["vendor_code"].unique().sort().to_list()
    bands = [with_penalties(compile_terms(problem.terms[code]), problem.penalties.of(code)) for code in codes]
    shipped = _shipped(problem, bands)
    steps = _reachable_steps(problem, shipped)
    uses = _whole_uses(problem, np.unique(steps.offer))
    row = np.unique(uses.offer)
    number = np.full(len(problem.offers), -1)
    number[row] = np.arange(len(row))
    kept = number[steps.offer] >= 0
    steps = _Steps(**{name: getattr(steps, name)[kept] for name in _Steps.__dataclass_fields__})
    arrays = _assembled(problem, codes, bands, shipped, row, replace(steps, offer=number[steps.offer]), uses, number)
    return in_units(arrays, [problem.terms[code].rate for code in codes])


@dataclass(frozen=True)
class _Shipped:
    """By offer of the problem: vendor, dimension step, the most pieces by stock, limits and multiples, and whether it ships."""

    vendor: Ints
    size_class: Ints
    multiple: Ints
    most: Ints
    minimum_line: Ints
    ships: Flags


def _shipped(problem: Problem, bands: list[VendorBands]) -> _Shipped:
    offers = problem.offers
    vendor = ranks(offers["vendor_code"])
    limits = [terms.maximum_piece_count for terms in bands]
    piece_limit = np.array([_UNLIMITED if limit is None else limit for limit in limits], np.int64)
    multiple = ints(offers["sold_in_multiples_of"])
    most = np.minimum(ints(offers["quantity_available"]), ints(offers["maximum_per_order"].fill_null(_UNLIMITED)))
    most = np.minimum(most, piece_limit[vendor]) // multiple * multiple
    size_class = _size_classes(vendor, in_micro(offers["largest_dimension_mm"]), bands)
    has_bands = np.array([bool(terms.bands) for terms in bands], np.bool_)
    minimum_line = np.array([in_micro_ceiling(terms.minimum_line_value) for terms in bands], np.int64)
    ships = has_bands[vendor] & (most >= multiple) & (size_class >= 0)
    return _Shipped(vendor, size_class, multiple, most, minimum_line[vendor], ships)


def _size_classes(vendor: Ints, size: Ints, bands: list[VendorBands]) -> Ints:
    """The dimension step of every offer at its vendor: 0 where the vendor has no steps, -1 where the piece can't ship."""
    classes = np.zeros(len(vendor), np.int64)
    for number, terms in enumerate(bands):
        if terms.dimension_steps:
            rows = np.flatnonzero(vendor == number)
            classes[rows] = -1
            for index, step in enumerate(terms.dimension_steps):
                inside = (size[rows] >= in_micro_ceiling(step.start)) & (
                    step.end is None or size[rows] < in_micro_ceiling(step.end)
                )
                classes[rows[inside]] = index
    return classes


@dataclass(frozen=True)
class _Steps:
    """Price steps by offer and start: row in the problem, least and most pieces, price and base in millionths, gap."""

    offer: Ints
    row: Ints
    start: Ints
    least: Ints
    most: Ints
    micro: Ints
    base: Ints
    gap: Ints


def _reachable_steps(problem: Problem, shipped: _Shipped) -> _Steps:
    """Price steps that some quantity reaches; a minimum value of a line raises the least."""
    offer, start = ints(problem.offer_steps["offer_index"]), ints(problem.offer_steps["step_from_quantity"])
    row = np.lexsort((start, offer))
    offer, start, micro = offer[row], start[row], in_micro(problem.offer_steps["unit_price"])[row]
    has_next = np.append(offer[1:] == offer[:-1], False) if len(offer) else np.zeros(0, np.bool_)
    end = np.where(has_next, np.append(start[1:], 0)[: len(start)] - 1, _UNLIMITED)
    multiple = shipped.multiple[offer]
    line = shipped.minimum_line[offer]
    highest = np.zeros(len(problem.offers))
    np.maximum.at(highest, offer, micro)
    fits = highest[offer] * np.maximum(start, multiple) < _TOO_DEAR
    base = bases(offer, start, micro, (problem.offers["step_kind"] == "incremental").to_numpy()[offer] & fits)
    lacking = line - base
    for_line = np.where(micro > 0, -(-lacking // np.maximum(micro, 1)), np.where(lacking > 0, _UNLIMITED, 0))
    at_least = np.maximum(np.maximum(start, 1), for_line)
    least = -(-at_least // multiple) * multiple
    most = np.minimum(shipped.most[offer], end // multiple * multiple)
    kept = shipped.ships[offer] & (least <= most) & fits
    offer, least, most = offer[kept], least[kept], most[kept]
    follows = np.append(False, offer[1:] == offer[:-1])[: len(offer)]
    gap = least - np.where(follows, np.append(0, most[:-1])[: len(offer)], 0)
    return _Steps(offer, row[kept], start[kept], least, most, micro[kept], base[kept], gap)


@dataclass(frozen=True)
class _Uses:
    """Uses by portion and offer: row and offer in the problem, combination, component (-1 for none); and all components."""

    row: Ints
    portion: Ints
    offer: Ints
    combination: Ints
    component: Ints
    component_combination: Ints
    component_count: Ints


def _whole_uses(problem: Problem, buyable: Ints) -> _Uses:
    """Uses of offers that can be bought, combinations and components numbered; no combination that lacks a component."""
    portion, offer = ints(problem.uses["portion_index"]), ints(problem.uses["offer_index"])
    count = ints(problem.uses["component_count"])
    can_be = np.zeros(len(problem.offers), np.bool_)
    can_be[buyable] = True
    combination, component, kept = np.full(len(offer), -1), np.full(len(offer), -1), can_be[offer]
    made_up = np.flatnonzero((problem.uses["combination_code"] != "").to_numpy())
    component_combination = component_count = np.zeros(0, np.int64)
    if len(made_up):
        mine = problem.uses[made_up]
        code, part, colour = (ranks(mine[name]) for name in ("combination_code", "component_part_code", "colour_code"))
        wide = np.stack([portion[made_up], code, part])
        whole, whole_of = np.unique(np.unique(wide, axis=1)[:2], axis=1, return_counts=True)
        found = np.flatnonzero(can_be[offer[made_up]])
        keys, key = np.unique(np.stack([portion[made_up], colour, code])[:, found], axis=1, return_inverse=True)
        parts = np.bincount(np.unique(np.stack([key.ravel(), part[found]]), axis=1)[0], minlength=keys.shape[1])
        place = {tuple(pair): int(size) for pair, size in zip(whole.T.tolist(), whole_of, strict=True)}
        is_whole = np.array([place[p, c] for p, _, c in keys.T.tolist()], np.int64) == parts
        numbers = np.where(is_whole, np.cumsum(is_whole) - 1, -1)[key.ravel()]
        combination[made_up[found]] = numbers
        kept[made_up[found]] = numbers >= 0
        stated, part = made_up[found][numbers >= 0], part[found][numbers >= 0]
        pairs, first, which = np.unique(
            np.stack([combination[stated], part]), axis=1, return_index=True, return_inverse=True
        )
        component[stated] = which.ravel()
        component_combination, component_count = pairs[0], count[stated[first]]
    row = np.flatnonzero(kept)
    row = row[np.lexsort((row, offer[row], portion[row]))]
    return _Uses(
        row, portion[row], offer[row], combination[row], component[row], component_combination, component_count
    )


def _assembled(
    problem: Problem,
    codes: list[str],
    bands: list[VendorBands],
    shipped: _Shipped,
    row: Ints,
    steps: _Steps,
    uses: _Uses,
    number: Ints,
) -> ProblemArrays:
    offers = problem.offers[row]
    colours = ranks(problem.uses["colour_code"][uses.row])
    vendor, multiple = shipped.vendor[row], shipped.multiple[row]
    need = ints(problem.portions["quantity"])
    needed = need[uses.portion] * ints(problem.uses["component_count"])[uses.row]
    use_offer = number[uses.offer]
    handling = _handling(offers, vendor, bands)
    sharing = shared_stock(codes, offers, vendor)
    vendors = _vendors(codes, bands, vendor, multiple, steps, offers, problem, sharing)
    counts = np.bincount(steps.offer, minlength=len(row))
    first = np.searchsorted(steps.offer, np.arange(len(row)))
    is_counted = (multiple > 1) | (counts > 1) | (steps.least[first] > 1) | vendors.gains_by_spares[vendor]
    groups = problem.portions["group_code"]
    combination_portion, combination_colour = np.zeros((2, int(uses.combination.max(initial=-1)) + 1), np.int64)
    made_up = uses.combination >= 0
    combination_portion[uses.combination[made_up]], combination_colour[uses.combination[made_up]] = (
        uses.portion[made_up],
        colours[made_up],
    )
    element = np.stack([vendor, ranks(offers["part_code"]), ranks(offers["colour_code"])])
    facts = offers.select(name for name in PURCHASE_COLUMNS if name not in ("quantity", "unit_price"))
    arrays = ProblemArrays(
        vendors=vendors,
        need=need,
        group=np.where((groups == "").to_numpy(), -1, ranks(groups) + 1),
        use_portion=uses.portion,
        use_offer=use_offer,
        use_colour=colours,
        use_combination=uses.combination,
        use_component=uses.component,
        use_row=uses.row,
        combination_portion=combination_portion,
        combination_colour=combination_colour,
        component_combination=uses.component_combination,
        component_count=uses.component_count,
        offer_row=row,
        offer_vendor=vendor,
        offer_most=shipped.most[row],
        offer_want=np.bincount(use_offer, needed, len(row)).astype(np.int64),
        offer_multiple=multiple,
        offer_assortment=handling.row_of_offer,
        offer_element=np.unique(element, axis=1, return_inverse=True)[1].ravel(),
        offer_weight=in_micro(offers["weight_grams"]) / MICRO,
        offer_size_class=shipped.size_class[row],
        is_counted=is_counted,
        step_offer=steps.offer,
        step_from=steps.start,
        step_least=steps.least,
        step_most=steps.most,
        step_gap=steps.gap,
        step_price=steps.micro / MICRO,
        step_base=steps.base / MICRO,
        step_base_micro=steps.base,
        step_facts=facts[steps.offer]
        .with_columns(
            problem.offer_steps["unit_price"][steps.row], pl.Series("offer_index", row[steps.offer], dtype=pl.Int64)
        )
        .select("offer_index", *(name for name in PURCHASE_COLUMNS if name != "quantity")),
        handling_vendor=handling.vendor,
        handling_charge=handling.charge,
        handling_waived_from=handling.waived_from,
        allow_spares=problem.allow_spares,
        maximum_vendor_count=problem.maximum_vendor_count,
        sharing=sharing,
    )
    return replace(arrays, sharing=replace(sharing, alike=alike_orders(arrays))) if sharing else arrays


@dataclass(frozen=True)
class _Handling:
    row_of_offer: Ints
    vendor: Ints
    charge: Floats
    waived_from: tuple[Fraction | None, ...]


def _handling(offers: pl.DataFrame, vendor: Ints, bands: list[VendorBands]) -> _Handling:
    rows = [(number, code, band) for number, terms in enumerate(bands) for code, band in sorted(terms.handling.items())]
    place = {(number, code): row for row, (number, code, _) in enumerate(rows)}
    assortments = offers["assortment_code"].to_list() if rows else [""] * len(vendor)
    return _Handling(
        np.array([place.get(pair, -1) for pair in zip(vendor.tolist(), assortments, strict=True)], np.int64),
        np.array([number for number, _, _ in rows], np.int64),
        np.array([float(band.charge) for _, _, band in rows], np.float64),
        tuple(band.waived_from for _, _, band in rows),
    )


def _vendors(
    codes: list[str],
    bands: list[VendorBands],
    offer_vendor: Ints,
    multiple: Ints,
    steps: _Steps,
    offers: pl.DataFrame,
    problem: Problem,
    sharing: SharedStock | None,
) -> Vendors:
    grain, weight_grain = np.ones(len(codes), np.int64), np.ones(len(codes), np.int64)
    weights = in_micro(offers["weight_grams"]) * multiple
    values = np.gcd(steps.micro * multiple[steps.offer], steps.base)
    step_vendor = offer_vendor[steps.offer]
    is_rising = np.array([terms.is_rising for terms in bands], np.bool_)
    keeps_flow = np.array([terms.is_one_band and not terms.weight_steps for terms in bands], np.bool_) & is_rising
    if sharing:
        keeps_flow &= ~sharing.is_shared
    for number in np.flatnonzero(~keeps_flow):
        grain[number] = max(1, np.gcd.reduce(values[step_vendor == number], initial=0))
    for number in np.flatnonzero([bool(terms.weight_steps) for terms in bands]):
        weight_grain[number] = max(1, np.gcd.reduce(weights[offer_vendor == number], initial=0))
    floor = np.array([min((float(band.factor) for band in terms.bands), default=0.0) for terms in bands], np.float64)
    gains = ~is_rising & problem.allow_spares
    is_forced = np.array([code in problem.forced_vendors for code in codes], np.bool_)
    grains, weight_grains = (tuple(Fraction(micro, MICRO) for micro in part.tolist()) for part in (grain, weight_grain))
    return Vendors(tuple(codes), tuple(bands), is_rising, keeps_flow, gains, grains, weight_grains, floor, is_forced)
