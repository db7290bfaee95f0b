"""The purchase problem as a mixed-integer program.

Columns: pieces of an offer that serve a use; pieces bought, where they may differ from the pieces used; whole combinations; pieces
left unfilled; one binary per vendor; and those of the vendors' rules (mip_rules.py). A use may take at most min(need, stock)
times its vendor's binary: one row per offer, which keeps the linear relaxation near the optimum (Blazewicz, Bouvry, Kovalyov
& Musial 2014, doi 10.1007/s10288-013-0230-7; a row per vendor alone is valid but weak).

Pieces that are bought as they are used stay continuous: with the binaries fixed, what is left is a flow between offers and
portions, whose corners are whole numbers. Orders that share stock, and rules on goods values, break that: there pieces are whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.program import columns as drafting
from pipelines.planner.program.columns import Draft, Goods, ModelOptions, Worth
from pipelines.planner.program.linear import Program, ProgramBuilder
from pipelines.planner.program.rule_rows import RuleColumns, add_rules
from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import Compiled


@dataclass(frozen=True)
class PlanProgram:
    """A program and what its columns stand for; -1 for what has no column.

    Attributes:
        vendor, use, makeup, unfilled, outside, group_colour: columns by what they stand for; ``outside`` by the
            relaxation's cell, ``group_colour`` by the rows of ``group_choices`` (group, colour).
        step_taken, step_beyond: by goods column, whether the price step is taken, and more than its least bought.
    """

    program: Program
    compiled: Compiled
    options: ModelOptions
    vendor: Ints
    use: Ints
    goods: Goods
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


def build_model(compiled: Compiled, options: ModelOptions) -> PlanProgram:
    """State the problem; uses of vendors that may not be used get no columns."""
    builder = ProgramBuilder()
    draft = drafting.begin(builder, compiled, options)
    combinations = _combinations(draft)
    unfilled, outside = _demand(draft, combinations)
    group_choices, group_colour = _groups(draft, combinations, outside)
    _stock(draft)
    _several_orders(draft)
    taken = _price_steps(draft)
    beyond = _without_spares(draft, taken)
    rules = add_rules(draft)
    return PlanProgram(
        builder.program(),
        compiled,
        options,
        draft.vendor,
        draft.use,
        draft.goods,
        combinations,
        unfilled,
        outside,
        group_choices,
        group_colour,
        draft.handling_paid,
        draft.handling_waived,
        taken,
        beyond,
        rules,
    )


def _combinations(draft: Draft) -> Ints:
    """Whole combinations: for each, as many of every component as it takes."""
    compiled, builder = draft.compiled, draft.builder
    columns = builder.columns(
        len(compiled.combination_portion),
        upper=compiled.need[compiled.combination_portion],
        integer=draft.options.whole,
    )
    rows = builder.rows(len(compiled.component_combination), lower=0.0, upper=0.0)
    builder.entries(rows, columns[compiled.component_combination], -compiled.component_count)
    uses = np.flatnonzero((draft.use >= 0) & (compiled.use_component >= 0))
    builder.entries(rows[compiled.use_component[uses]], draft.use[uses], 1.0)
    return columns


def _demand(draft: Draft, combinations: Ints) -> tuple[Ints, Ints]:
    compiled, builder, options = draft.compiled, draft.builder, draft.options
    demand = builder.rows(len(compiled.need), lower=compiled.need, upper=compiled.need)
    direct = np.flatnonzero((draft.use >= 0) & (compiled.use_combination < 0))
    builder.entries(demand[compiled.use_portion[direct]], draft.use[direct], 1.0)
    builder.entries(demand[compiled.combination_portion], combinations, 1.0)
    limit = options.unfilled_limit
    cost = 1.0 if limit is None else options.penalty
    most = compiled.need if limit is None else np.minimum(compiled.need, limit)
    unfilled = builder.columns(len(demand), cost=cost, upper=most)
    builder.entries(demand, unfilled, 1.0)
    if limit is not None:
        builder.entries(builder.rows(1, upper=limit), unfilled, 1.0)
    outside = np.zeros(0, np.int64)
    if options.relaxation is not None:
        cells = options.relaxation.cell_portion
        outside = builder.columns(len(cells), cost=options.relaxation.price, upper=compiled.need[cells])
        builder.entries(demand[cells], outside, 1.0)
    return unfilled, outside


def _groups(draft: Draft, combinations: Ints, outside: Ints) -> tuple[Ints, Ints]:
    """Portions of one group in one colour: pieces in a colour only if the group takes that colour."""
    compiled, builder, relaxation = draft.compiled, draft.builder, draft.options.relaxation
    direct = np.flatnonzero((draft.use >= 0) & (compiled.use_combination < 0))
    blocks = [
        (draft.use[direct], compiled.use_portion[direct], compiled.use_colour[direct]),
        (combinations, compiled.combination_portion, compiled.combination_colour),
    ]
    if relaxation is not None:
        blocks.append((outside, relaxation.cell_portion, relaxation.cell_colour))
    column, portion, colour = (np.concatenate(part) for part in zip(*blocks, strict=True))
    grouped = compiled.group[portion] >= 0
    if not grouped.any():
        return np.zeros((0, 2), np.int64), np.zeros(0, np.int64)
    column, portion, colour = column[grouped], portion[grouped], colour[grouped]
    cells, cell = np.unique(np.stack([portion, colour], axis=1), axis=0, return_inverse=True)
    choices, choice = np.unique(
        np.stack([compiled.group[cells[:, 0]], cells[:, 1]], axis=1), axis=0, return_inverse=True
    )
    takes = builder.columns(len(choices), upper=1.0, integer=True)
    groups, group = np.unique(choices[:, 0], return_inverse=True)
    builder.entries(builder.rows(len(groups), upper=1.0)[group.ravel()], takes, 1.0)
    rows = builder.rows(len(cells), upper=0.0)
    builder.entries(rows[cell.ravel()], column, 1.0)
    builder.entries(rows, takes[choice.ravel()], -compiled.need[cells[:, 0]])
    return choices, takes


def _stock(draft: Draft) -> None:
    """No more used than bought; no more bought than there is, and only from vendors that are used."""
    compiled, builder, goods = draft.compiled, draft.builder, draft.goods
    used = np.flatnonzero(draft.use >= 0)
    offer = compiled.use_offer[used]
    limit = compiled.offer_limit
    loose = draft.options.loose_offers
    loose = np.zeros(len(limit), np.bool_) if loose is None else loose & ~draft.counted
    offers, row_of, use_count = np.unique(offer, return_inverse=True, return_counts=True)
    has_row = ~loose[offers] | (use_count > 1)
    rows = np.full(len(offers), -1)
    rows[has_row] = builder.rows(int(has_row.sum()), upper=np.where(loose, limit, 0)[offers[has_row]])
    in_row = has_row[row_of.ravel()]
    builder.entries(rows[row_of.ravel()[in_row]], draft.use[used[in_row]], 1.0)
    steps = np.flatnonzero(goods.step >= 0)
    builder.entries(rows[np.searchsorted(offers, goods.offer[steps])], goods.column[steps], -goods.pieces[steps])
    linked = ~loose[offers] & ~draft.counted[offers]
    draft.gate(rows[linked], offers[linked], limit[offers[linked]])
    share = np.minimum(compiled.use_want[used], limit[offer])
    own = ~loose[offer] & (draft.counted[offer] | (share < limit[offer]))
    rows = builder.rows(int(own.sum()), upper=0.0)
    builder.entries(rows, draft.use[used[own]], 1.0)
    draft.gate(rows, offer[own], share[own])


def _several_orders(draft: Draft) -> None:
    """No more in all orders with a vendor than its listing has, and orders told in one way only (shared_stock.py)."""
    compiled, builder, goods = draft.compiled, draft.builder, draft.goods
    sharing = compiled.sharing
    if sharing is None:
        return
    bought = np.flatnonzero((goods.pieces > 0) & sharing.is_shared[compiled.offer_vendor[goods.offer]])
    listings, row_of = np.unique(sharing.listing[goods.offer[bought]], return_inverse=True)
    rows = builder.rows(len(listings), upper=sharing.stock[listings])
    builder.entries(rows[row_of.ravel()], goods.column[bought], goods.pieces[bought])
    seller = compiled.offer_vendor[goods.offer[bought]]
    for (first, second), _, _ in sharing.alike:
        if (draft.vendor[[first, second]] < 0).any():
            continue
        used = builder.rows(1, lower=0.0)
        builder.entries(used, draft.vendor[[first, second]], np.array([1.0, -1.0]))
        # What a relaxation buys are the pieces used, and stand-ins serve in the place of some.
        if draft.options.whole:
            larger = builder.rows(1, lower=0.0)
            for number, sign in ((first, 1), (second, -1)):
                mine = bought[seller == number]
                builder.entries(larger, goods.column[mine], sign * goods.pieces[mine])


def _price_steps(draft: Draft) -> Ints:
    """At most one step of an offer, in the quantities it holds for, with its base. Returns the binaries by goods column."""
    compiled, builder, goods = draft.compiled, draft.builder, draft.goods
    taken = np.full(len(goods.column), -1, np.int64)
    steps = np.flatnonzero(goods.step >= 0)
    least = compiled.step_least[goods.step[steps]] // goods.pieces[steps]
    siblings = np.bincount(goods.offer[steps], minlength=len(compiled.offer_row))[goods.offer[steps]]
    base = goods.base[steps]
    needs_binary = (siblings > 1) | (least > 1) | (base != 0)
    stepped, simple = steps[needs_binary], steps[~needs_binary]
    rows = builder.rows(len(simple), upper=0.0)
    builder.entries(rows, goods.column[simple], 1.0)
    draft.gate(rows, goods.offer[simple], goods.most[simple])
    cost = goods.base[stepped] * draft.priced[compiled.offer_vendor[goods.offer[stepped]]]
    taken[stepped] = builder.columns(len(stepped), cost=cost, upper=1.0, integer=draft.options.whole)
    based = stepped[goods.base[stepped] != 0]
    bases = Worth(taken[based], goods.offer[based], goods.base[based], np.ones(len(based), np.int64))
    draft.worth = Worth(*(np.append(getattr(draft.worth, name), getattr(bases, name)) for name in vars(bases)))
    above, below = builder.rows(len(stepped), lower=0.0), builder.rows(len(stepped), upper=0.0)
    for rows, ends in ((above, least[needs_binary]), (below, goods.most[stepped])):
        builder.entries(rows, goods.column[stepped], 1.0)
        builder.entries(rows, taken[stepped], -ends)
    offers, row_of = np.unique(goods.offer[stepped], return_inverse=True)
    rows = builder.rows(len(offers), upper=0.0)
    builder.entries(rows[row_of.ravel()], taken[stepped], 1.0)
    draft.gate(rows, offers, np.ones(len(offers), np.int64))
    return taken


def _without_spares(draft: Draft, taken: Ints) -> Ints:
    """Without spares, what is bought is the smallest quantity on sale that covers the use.

    Spares are fewer than a multiple; at the least quantity of a step they may fill the gap below it.
    """
    compiled, builder, goods = draft.compiled, draft.builder, draft.goods
    beyond = np.full(len(goods.column), -1, np.int64)
    steps = np.flatnonzero(goods.step >= 0)
    if compiled.allow_spares or not draft.options.whole or not len(steps):
        return beyond
    offers, row_of = np.unique(goods.offer[steps], return_inverse=True)
    rows = builder.rows(len(offers), upper=compiled.offer_multiple[offers] - 1)
    builder.entries(rows[row_of.ravel()], goods.column[steps], goods.pieces[steps])
    uses = np.flatnonzero(draft.use >= 0)
    uses = uses[np.isin(compiled.use_offer[uses], offers)]
    builder.entries(rows[np.searchsorted(offers, compiled.use_offer[uses])], draft.use[uses], -1.0)
    gap = compiled.step_gap[goods.step[steps]] - goods.pieces[steps]
    gapped = np.flatnonzero(gap > 0)
    wide, row = steps[gapped], rows[row_of.ravel()[gapped]]
    least = compiled.step_least[goods.step[wide]] // goods.pieces[wide]
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
