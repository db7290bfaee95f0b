"""The vendors' rules as rows and binaries: bands, handling, shipping by weight and size, limits."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from pipelines.planner.program.columns import PlanColumns
from pipelines.planner.statement.bands import SizeStep, charges_rise
from pipelines.planner.statement.columns_as_arrays import Floats, Ints
from pipelines.planner.statement.quantities import just_below


@dataclass(frozen=True)
class RuleColumns:
    """The columns of the rules by vendor, so that a known plan can be given their values.

    Attributes:
        bands: the bands' binaries (-1 for a band out of reach).
        band_goods: goods value by band; only for vendors whose factor differs between bands.
        goods_rows: the rows that state the goods value.
        weight_steps, dimension_steps: the steps' binaries.
        weight_paid, dimension_paid: what is paid of the steps' charges; only where a band may ship free.
        elements: elements and their binaries.
    """

    bands: dict[int, Ints]
    band_goods: dict[int, Ints]
    goods_rows: dict[int, Ints]
    weight_steps: dict[int, Ints]
    weight_paid: dict[int, Ints]
    dimension_steps: dict[int, Ints]
    dimension_paid: dict[int, Ints]
    elements: dict[int, tuple[Ints, Ints]]


def add_rules(columns: PlanColumns) -> RuleColumns:
    """All rules of all vendors that have columns."""
    rules = RuleColumns({}, {}, {}, {}, {}, {}, {}, {})
    vendor_of_goods = columns.arrays.offer_vendor[columns.goods.offer]
    for number in np.flatnonzero(columns.vendor >= 0).tolist():
        terms = columns.arrays.vendors.bands[number]
        bought = np.flatnonzero(vendor_of_goods == number)
        if not terms.is_one_band:
            _bands(columns, rules, number)
        bought = bought[columns.goods.pieces[bought] > 0]
        if terms.weight_steps:
            _weight(columns, rules, number, bought)
        if terms.dimension_steps:
            _dimension(columns, rules, number, bought)
        _limits(columns, rules, number, bought)
    _forced(columns)
    _handling(columns)
    if (limit := columns.arrays.maximum_vendor_count) is not None:
        used = columns.vendor[columns.vendor >= 0]
        columns.builder.entries(columns.builder.rows(1, upper=limit), used, 1.0)
    return rules


def _bands(columns: PlanColumns, rules: RuleColumns, number: int) -> None:
    """If the vendor is used, one band is taken, and the goods value lies in it."""
    builder, worth = columns.builder, columns.worth
    mine = np.flatnonzero(columns.arrays.offer_vendor[worth.offer] == number)
    column, price = worth.column[mine], worth.price[mine]
    terms, grain = columns.arrays.vendors.bands[number], columns.arrays.vendors.grain[number]
    top = float(np.maximum(price, 0.0) @ worth.most[mine])
    lows = np.array([just_below(band.start, grain) if band.start > 0 else 0.0 for band in terms.bands])
    highs = np.array([top if band.end is None else min(top, just_below(band.end, grain)) for band in terms.bands])
    reachable = np.flatnonzero((lows <= top) & (highs > 0))
    bands = [terms.bands[index] for index in reachable]
    lows, highs = lows[reachable], highs[reachable]
    taken = builder.columns(len(bands), cost=_costs(columns, [band.fixed for band in bands]), upper=1.0, integer=True)
    rules.bands[number] = np.full(len(terms.bands), -1)
    rules.bands[number][reachable] = taken
    one = builder.rows(1, lower=0.0, upper=0.0)
    builder.entries(one, taken, 1.0)
    builder.entries(one, columns.vendor[number], -1.0)
    if np.isnan(columns.factor[number]) and columns.with_cost:
        values = builder.columns(len(bands), cost=_costs(columns, [band.factor for band in bands]), upper=highs)
        rules.band_goods[number] = np.full(len(terms.bands), -1)
        rules.band_goods[number][reachable] = values
        split = rules.goods_rows[number] = builder.rows(1, lower=0.0, upper=0.0)
        builder.entries(split, column, price)
        builder.entries(split, values, -1.0)
        above, below = builder.rows(len(bands), lower=0.0), builder.rows(len(bands), upper=0.0)
        for rows, ends in ((above, lows), (below, highs)):
            builder.entries(rows, values, 1.0)
            builder.entries(rows, taken, -ends)
    else:
        above, below = builder.rows(1, lower=0.0), builder.rows(1, upper=0.0)
        rules.goods_rows[number] = np.append(above, below)
        for row, ends in ((above, lows), (below, highs)):
            builder.entries(row, column, price)
            builder.entries(row, taken, -ends)


def _forced(columns: PlanColumns) -> None:
    """At least one piece of every forced vendor is used; not stated where stand-ins take the place of uses."""
    builder, arrays = columns.builder, columns.arrays
    if columns.options.stand_ins is None:
        for number in np.flatnonzero(arrays.vendors.is_forced):
            stated = np.flatnonzero((columns.use >= 0) & (arrays.offer_vendor[arrays.use_offer] == number))
            builder.entries(builder.rows(1, lower=1.0), columns.use[stated], 1.0)


def _costs(columns: PlanColumns, amounts: list[Fraction]) -> Floats:
    return np.array([float(amount) for amount in amounts]) * columns.with_cost


def _handling(columns: PlanColumns) -> None:
    """An assortment's charge is waived only if its subtotal reaches the threshold."""
    builder, worth, arrays = columns.builder, columns.worth, columns.arrays
    assortment = arrays.offer_assortment[worth.offer]
    for charge in np.flatnonzero(columns.handling_waived >= 0):
        bought = np.flatnonzero(assortment == charge)
        grain = arrays.vendors.grain[int(arrays.handling_vendor[charge])]
        threshold = just_below(arrays.handling_waived_from[charge] or Fraction(0), grain)
        row = builder.rows(1, lower=0.0)
        builder.entries(row, worth.column[bought], worth.price[bought])
        builder.entries(row, columns.handling_waived[charge], -threshold)


def _weight(columns: PlanColumns, rules: RuleColumns, number: int, bought: Ints) -> None:
    """The weight lies in the one step that is taken."""
    builder, goods = columns.builder, columns.goods
    steps = columns.arrays.vendors.bands[number].weight_steps
    grain = columns.arrays.vendors.weight_grain[number]
    weight = columns.arrays.offer_weight[goods.offer[bought]] * goods.pieces[bought]
    top = float(weight @ goods.most[bought])
    taken = rules.weight_steps[number] = _steps_taken(columns, rules, rules.weight_paid, number, steps)
    highs = [top if step.end is None else min(top, just_below(step.end, grain)) for step in steps]
    lows = [just_below(step.start, grain) if step.start > 0 else 0.0 for step in steps]
    rows = [(builder.rows(1, upper=0.0), highs)]
    if not charges_rise(steps):
        rows.append((builder.rows(1, lower=0.0), lows))
    for row, ends in rows:
        builder.entries(row, goods.column[bought], weight)
        builder.entries(row, taken, -np.array(ends))


def _dimension(columns: PlanColumns, rules: RuleColumns, number: int, bought: Ints) -> None:
    """The step of the largest piece is the one that is taken."""
    builder, goods = columns.builder, columns.goods
    steps = columns.arrays.vendors.bands[number].dimension_steps
    size_class = columns.arrays.offer_size_class[goods.offer[bought]]
    taken = rules.dimension_steps[number] = _steps_taken(columns, rules, rules.dimension_paid, number, steps)
    large = np.flatnonzero(size_class > 0)
    rows = builder.rows(len(large), upper=0.0)
    builder.entries(rows, goods.column[bought[large]], 1.0)
    for index, column in enumerate(taken):
        fits = size_class[large] <= index
        builder.entries(rows[fits], column, -goods.most[bought[large[fits]]])
    if not charges_rise(steps):
        for index, column in enumerate(taken):
            row = builder.rows(1, lower=0.0)
            builder.entries(row, goods.column[bought[size_class == index]], 1.0)
            builder.entries(row, column, -1.0)


def _steps_taken(
    columns: PlanColumns, rules: RuleColumns, paid: dict[int, Ints], number: int, steps: tuple[SizeStep, ...]
) -> Ints:
    """One of the steps is taken if the vendor is used; its charge is paid unless a band that ships free is taken."""
    builder, bands = columns.builder, columns.arrays.vendors.bands[number].bands
    charges = _costs(columns, [step.charge for step in steps])
    free = np.array([band.ships_free for band in bands], np.bool_)
    taken = builder.columns(len(steps), cost=0.0 if free.any() else charges, upper=1.0, integer=True)
    one = builder.rows(1, lower=0.0, upper=0.0)
    builder.entries(one, taken, 1.0)
    builder.entries(one, columns.vendor[number], -1.0)
    if free.any() and not free.all():
        paid[number] = builder.columns(len(steps), cost=charges, upper=1.0)
        rows = builder.rows(len(steps), upper=0.0)
        builder.entries(rows, taken, 1.0)
        builder.entries(rows, paid[number], -1.0)
        for column in rules.bands[number][free & (rules.bands[number] >= 0)]:
            builder.entries(rows, column, -1.0)
    return taken


def _limits(columns: PlanColumns, rules: RuleColumns, number: int, bought: Ints) -> None:
    """Most pieces and most different elements in one order."""
    builder, goods, terms = columns.builder, columns.goods, columns.arrays.vendors.bands[number]
    most = goods.most[bought] * goods.pieces[bought]
    if terms.maximum_piece_count is not None and most.sum() > terms.maximum_piece_count:
        row = builder.rows(1, upper=0.0)
        builder.entries(row, goods.column[bought], goods.pieces[bought])
        builder.entries(row, columns.vendor[number], -terms.maximum_piece_count)
    elements, element = np.unique(columns.arrays.offer_element[goods.offer[bought]], return_inverse=True)
    if terms.maximum_element_count is not None and len(elements) > terms.maximum_element_count:
        bought_any = builder.columns(len(elements), upper=1.0, integer=True)
        rules.elements[number] = elements, bought_any
        rows = builder.rows(len(bought), upper=0.0)
        builder.entries(rows, goods.column[bought], 1.0)
        builder.entries(rows, bought_any[element], -goods.most[bought])
        row = builder.rows(1, upper=0.0)
        builder.entries(row, bought_any, 1.0)
        builder.entries(row, columns.vendor[number], -terms.maximum_element_count)
