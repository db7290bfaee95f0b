"""The purchase problem as a mixed-integer program.

Columns: pieces of an offer that serve a use; pieces bought, where they may differ from the pieces used; whole combinations;
pieces left unfilled; one binary per vendor; and the columns of the vendors' rules (rule_rows.py).

Pieces that are bought as they are used stay continuous. With the binaries fixed, what is left is a flow between offers and
portions, and its corners are whole numbers. Orders that share stock, and rules on goods values, break that; there pieces are
whole by declaration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.program.columns import GoodsColumns, PlanColumns, ProgramOptions, ValueColumns, plan_columns
from pipelines.planner.program.linear import Program, ProgramBuilder
from pipelines.planner.program.rule_rows import RuleColumns, add_rules
from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays


@dataclass(frozen=True)
class PlanProgram:
    """A program and what its columns stand for; -1 for what has no column.

    Attributes:
        vendor, use, combination, unfilled, outside, group_colour: columns by what they stand for; ``outside`` by the
            stand-ins' cells, ``group_colour`` by the rows of ``group_choices`` (group, colour).
        step_taken, step_beyond: by goods column, whether the price step is taken, and whether more than its least is bought.
    """

    program: Program
    arrays: ProblemArrays
    options: ProgramOptions
    vendor: Ints
    use: Ints
    goods: GoodsColumns
    combination: Ints
    unfilled: Ints
    outside: Ints
    group_choices: Ints
    group_colour: Ints
    handling_paid: Ints
    handling_waived: Ints
    step_taken: Ints
    step_beyond: Ints
    rules: RuleColumns


def build_program(arrays: ProblemArrays, options: ProgramOptions) -> PlanProgram:
    """State the problem; uses of vendors that may not be used have no columns."""
    builder = ProgramBuilder()
    columns = plan_columns(builder, arrays, options)
    combinations = _combinations(columns)
    unfilled, outside = _demand(columns, combinations)
    group_choices, group_colour = _groups(columns, combinations, outside)
    _stock(columns)
    _several_orders(columns)
    taken = _price_steps(columns)
    beyond = _without_spares(columns, taken)
    rules = add_rules(columns)
    return PlanProgram(
        builder.program(),
        arrays,
        options,
        columns.vendor,
        columns.use,
        columns.goods,
        combinations,
        unfilled,
        outside,
        group_choices,
        group_colour,
        columns.handling_paid,
        columns.handling_waived,
        taken,
        beyond,
        rules,
    )


def _combinations(columns: PlanColumns) -> Ints:
    """Whole combinations: for each, as many of every component as it takes."""
    arrays, builder = columns.arrays, columns.builder
    combinations = builder.columns(
        len(arrays.combination_portion),
        upper=arrays.need[arrays.combination_portion],
        integer=columns.options.whole,
    )
    rows = builder.rows(len(arrays.component_combination), lower=0.0, upper=0.0)
    builder.entries(rows, combinations[arrays.component_combination], -arrays.component_count)
    uses = np.flatnonzero((columns.use >= 0) & (arrays.use_component >= 0))
    builder.entries(rows[arrays.use_component[uses]], columns.use[uses], 1.0)
    return combinations


def _demand(columns: PlanColumns, combinations: Ints) -> tuple[Ints, Ints]:
    arrays, builder, options = columns.arrays, columns.builder, columns.options
    demand = builder.rows(len(arrays.need), lower=arrays.need, upper=arrays.need)
    direct = np.flatnonzero((columns.use >= 0) & (arrays.use_combination < 0))
    builder.entries(demand[arrays.use_portion[direct]], columns.use[direct], 1.0)
    builder.entries(demand[arrays.combination_portion], combinations, 1.0)
    limit = options.unfilled_limit
    cost = 1.0 if limit is None else options.penalty
    most = arrays.need if limit is None else np.minimum(arrays.need, limit)
    unfilled = builder.columns(len(demand), cost=cost, upper=most)
    builder.entries(demand, unfilled, 1.0)
    if limit is not None:
        builder.entries(builder.rows(1, upper=limit), unfilled, 1.0)
    outside = np.zeros(0, np.int64)
    if options.stand_ins is not None:
        cells = options.stand_ins.cell_portion
        outside = builder.columns(len(cells), cost=options.stand_ins.price, upper=arrays.need[cells])
        builder.entries(demand[cells], outside, 1.0)
    return unfilled, outside


def _groups(columns: PlanColumns, combinations: Ints, outside: Ints) -> tuple[Ints, Ints]:
    """Portions of one group in one colour: pieces in a colour only if the group takes that colour."""
    arrays, builder, stand_ins = columns.arrays, columns.builder, columns.options.stand_ins
    direct = np.flatnonzero((columns.use >= 0) & (arrays.use_combination < 0))
    blocks = [
        (columns.use[direct], arrays.use_portion[direct], arrays.use_colour[direct]),
        (combinations, arrays.combination_portion, arrays.combination_colour),
    ]
    if stand_ins is not None:
        blocks.append((outside, stand_ins.cell_portion, stand_ins.cell_colour))
    column, portion, colour = (np.concatenate(part) for part in zip(*blocks, strict=True))
    grouped = arrays.group[portion] >= 0
    if not grouped.any():
        return np.zeros((0, 2), np.int64), np.zeros(0, np.int64)
    column, portion, colour = column[grouped], portion[grouped], colour[grouped]
    cells, cell = np.unique(np.stack([portion, colour], axis=1), axis=0, return_inverse=True)
    choices, choice = np.unique(np.stack([arrays.group[cells[:, 0]], cells[:, 1]], axis=1), axis=0, return_inverse=True)
    takes = builder.columns(len(choices), upper=1.0, integer=True)
    groups, group = np.unique(choices[:, 0], return_inverse=True)
    builder.entries(builder.rows(len(groups), upper=1.0)[group.ravel()], takes, 1.0)
    rows = builder.rows(len(cells), upper=0.0)
    builder.entries(rows[cell.ravel()], column, 1.0)
    builder.entries(rows, takes[choice.ravel()], -arrays.need[cells[:, 0]])
    return choices, takes


def _stock(columns: PlanColumns) -> None:
    """No more used than bought; no more bought than there is, and only from vendors that are used.

    A use takes at most min(need, stock) times its vendor's binary: one row per offer, which keeps the linear relaxation near
    the optimum. A row per vendor alone is valid but weak (Blazewicz, Bouvry, Kovalyov & Musial, Internet shopping with price
    sensitive discounts, 4OR 12 (2014), doi 10.1007/s10288-013-0230-7).
    """
    arrays, builder, goods = columns.arrays, columns.builder, columns.goods
    used = np.flatnonzero(columns.use >= 0)
    offer = arrays.use_offer[used]
    limit = arrays.offer_limit
    loose = columns.options.loose_offers
    loose = np.zeros(len(limit), np.bool_) if loose is None else loose & ~columns.counted
    offers, row_of, use_count = np.unique(offer, return_inverse=True, return_counts=True)
    has_row = ~loose[offers] | (use_count > 1)
    rows = np.full(len(offers), -1)
    rows[has_row] = builder.rows(int(has_row.sum()), upper=np.where(loose, limit, 0)[offers[has_row]])
    in_row = has_row[row_of.ravel()]
    builder.entries(rows[row_of.ravel()[in_row]], columns.use[used[in_row]], 1.0)
    steps = np.flatnonzero(goods.step >= 0)
    builder.entries(rows[np.searchsorted(offers, goods.offer[steps])], goods.column[steps], -goods.pieces[steps])
    linked = ~loose[offers] & ~columns.counted[offers]
    columns.gate(rows[linked], offers[linked], limit[offers[linked]])
    share = np.minimum(arrays.use_want[used], limit[offer])
    own = ~loose[offer] & (columns.counted[offer] | (share < limit[offer]))
    rows = builder.rows(int(own.sum()), upper=0.0)
    builder.entries(rows, columns.use[used[own]], 1.0)
    columns.gate(rows, offer[own], share[own])


def _several_orders(columns: PlanColumns) -> None:
    """All orders with a vendor buy no more than there is, and are numbered in one way only (shared_stock.py)."""
    arrays, builder, goods = columns.arrays, columns.builder, columns.goods
    sharing = arrays.sharing
    if sharing is None:
        return
    bought = np.flatnonzero((goods.pieces > 0) & sharing.is_shared[arrays.offer_vendor[goods.offer]])
    listings, row_of = np.unique(sharing.listing[goods.offer[bought]], return_inverse=True)
    rows = builder.rows(len(listings), upper=sharing.stock[listings])
    builder.entries(rows[row_of.ravel()], goods.column[bought], goods.pieces[bought])
    seller = arrays.offer_vendor[goods.offer[bought]]
    for (first, second), _, _ in sharing.alike:
        if (columns.vendor[[first, second]] < 0).any():
            continue
        used = builder.rows(1, lower=0.0)
        builder.entries(used, columns.vendor[[first, second]], np.array([1.0, -1.0]))
        # Not in a relaxation: there stand-ins take the place of some of the pieces.
        if columns.options.whole:
            larger = builder.rows(1, lower=0.0)
            for number, sign in ((first, 1), (second, -1)):
                mine = bought[seller == number]
                builder.entries(larger, goods.column[mine], sign * goods.pieces[mine])


def _price_steps(columns: PlanColumns) -> Ints:
    """At most one price step of an offer, in the quantities it is for, with its base; returns its binary by goods column."""
    arrays, builder, goods = columns.arrays, columns.builder, columns.goods
    taken = np.full(len(goods.column), -1, np.int64)
    steps = np.flatnonzero(goods.step >= 0)
    least = arrays.step_least[goods.step[steps]] // goods.pieces[steps]
    siblings = np.bincount(goods.offer[steps], minlength=len(arrays.offer_row))[goods.offer[steps]]
    base = goods.base[steps]
    needs_binary = (siblings > 1) | (least > 1) | (base != 0)
    stepped, simple = steps[needs_binary], steps[~needs_binary]
    rows = builder.rows(len(simple), upper=0.0)
    builder.entries(rows, goods.column[simple], 1.0)
    columns.gate(rows, goods.offer[simple], goods.most[simple])
    cost = goods.base[stepped] * columns.priced[arrays.offer_vendor[goods.offer[stepped]]]
    taken[stepped] = builder.columns(len(stepped), cost=cost, upper=1.0, integer=columns.options.whole)
    based = stepped[goods.base[stepped] != 0]
    bases = ValueColumns(taken[based], goods.offer[based], goods.base[based], np.ones(len(based), np.int64))
    columns.worth = ValueColumns(
        *(np.append(getattr(columns.worth, name), getattr(bases, name)) for name in vars(bases))
    )
    above, below = builder.rows(len(stepped), lower=0.0), builder.rows(len(stepped), upper=0.0)
    for rows, ends in ((above, least[needs_binary]), (below, goods.most[stepped])):
        builder.entries(rows, goods.column[stepped], 1.0)
        builder.entries(rows, taken[stepped], -ends)
    offers, row_of = np.unique(goods.offer[stepped], return_inverse=True)
    rows = builder.rows(len(offers), upper=0.0)
    builder.entries(rows[row_of.ravel()], taken[stepped], 1.0)
    columns.gate(rows, offers, np.ones(len(offers), np.int64))
    return taken


def _without_spares(columns: PlanColumns, taken: Ints) -> Ints:
    """Without spares, the smallest quantity on sale is bought that covers the use; returns ``step_beyond``.

    Spares are fewer than a multiple; at the least quantity of a step they may fill the gap below it.
    """
    arrays, builder, goods = columns.arrays, columns.builder, columns.goods
    beyond = np.full(len(goods.column), -1, np.int64)
    steps = np.flatnonzero(goods.step >= 0)
    if arrays.allow_spares or not columns.options.whole or not len(steps):
        return beyond
    offers, row_of = np.unique(goods.offer[steps], return_inverse=True)
    rows = builder.rows(len(offers), upper=arrays.offer_multiple[offers] - 1)
    builder.entries(rows[row_of.ravel()], goods.column[steps], goods.pieces[steps])
    uses = np.flatnonzero(columns.use >= 0)
    uses = uses[np.isin(arrays.use_offer[uses], offers)]
    builder.entries(rows[np.searchsorted(offers, arrays.use_offer[uses])], columns.use[uses], -1.0)
    gap = arrays.step_gap[goods.step[steps]] - goods.pieces[steps]
    gapped = np.flatnonzero(gap > 0)
    wide, row = steps[gapped], rows[row_of.ravel()[gapped]]
    least = arrays.step_least[goods.step[wide]] // goods.pieces[wide]
    beyond[wide] = builder.columns(len(wide), upper=1.0, integer=True)
    builder.entries(row, taken[wide], -gap[gapped])
    builder.entries(row, beyond[wide], gap[gapped])
    only_taken, only_above = builder.rows(len(wide), upper=0.0), builder.rows(len(wide), upper=0.0)
    builder.entries(only_taken, beyond[wide], 1.0)
    builder.entries(only_taken, taken[wide], -1.0)
    builder.entries(only_above, goods.column[wide], 1.0)
    builder.entries(only_above, taken[wide], -least)
    builder.entries(only_above, beyond[wide], -(goods.most[wide] - least))
    return beyond
