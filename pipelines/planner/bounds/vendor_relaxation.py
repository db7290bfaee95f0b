"""The linear relaxation of a large problem over some vendors, kept small: what most offers cost a portion is stated by cuts.

An offer of a vendor with nothing but a fixed charge, and with stock for every portion that wants it, meets other offers only in
its portion's demand. So the program has no column for it. A portion has two instead: the pieces ``z`` that such offers supply,
and their cost ``theta``, which for any price ``p`` is at least p z less what the vendors in use gain at that price,

    theta >= p z - sum over offers cheaper than p of (p - price) stock y[vendor],

which is Benders' cut in closed form (Fischetti, Ljubic & Sinnl, Redesigning Benders decomposition for large-scale facility
location, Management Science 63 (2017) 2146-2162). Of these rows only those are stated that a solution was found to break: a few
for each portion, where the usual program has a row and a column for every offer. All other offers keep theirs (mip_model.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import highspy
import numpy as np

from pipelines.planner.bounds.band_orders import band_orders
from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ModelOptions
from pipelines.planner.program.rows import PlanProgram, build_model
from pipelines.planner.reduction.stand_ins import Relaxation
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled

NEAR = 1.3
"""Uses with columns of their own that cost up to so many times their portion's price are stated; a stand-in takes the place of
the rest."""

MORE_NEAR = 1.25
"""So many times dearer ones of vendors with thresholds: they count towards those."""

FEW = 30
"""Of so few vendors all uses are stated."""

CUT_ROUNDS = 30
"""Most programs solved for one answer."""

BROKEN_BY = 1e-6
"""Cuts are added that are broken by as much."""

EXACTLY, NEARLY = 1e-6, 1e-4
"""The solution is good enough where all cuts together are broken by less than this share of its cost; while vendors are still to
be branched on, by less than the larger."""

TINY = 1e-7

PROBE_ITERATIONS = 50
"""Simplex iterations of a probe."""


@dataclass
class Prices:
    """Prices by row (lagrangean.py), and how much the linear program wants each vendor and each order (0 to 1)."""

    rows: Floats
    needed: Floats
    orders: Floats


@dataclass(frozen=True)
class Supply:
    """The uses that cuts speak of, by portion and price.

    Attributes:
        portion: portions that have any, and ``start``, where their uses start, and the number of uses.
        vendor, price, share: of the uses; buyer's currency, most pieces.
        cap: by portion (of ``portion``), the price at which any number of pieces can be had.
    """

    portion: Ints
    start: Ints
    vendor: Ints
    price: Floats
    share: Floats
    cap: Floats

    @classmethod
    def of(cls, compiled: Compiled, uses: Flags, cap: Floats) -> Supply:
        """Of some uses, with the caps of all portions."""
        use = np.flatnonzero(uses)
        offer = compiled.use_offer[use]
        price = compiled.offer_floor[offer]
        order = np.lexsort((use, price, compiled.use_portion[use]))
        use, offer, price = use[order], offer[order], price[order]
        share = np.minimum(compiled.use_want[use], compiled.offer_limit[offer])
        portion, start = np.unique(compiled.use_portion[use], return_index=True)
        return cls(
            portion,
            np.append(start, len(use)),
            compiled.offer_vendor[offer],
            price,
            share.astype(np.float64),
            cap[portion],
        )

    def cost(self, needed: Floats, pieces: Floats) -> tuple[Floats, Floats]:
        """What the pieces cost each portion when vendors are used to some degree, and the price of the last piece."""
        reached = np.cumsum(self.share * needed[self.vendor])
        begin, end = self.start[:-1], self.start[1:]
        before = np.append(0.0, reached)[begin]
        last = np.clip(np.searchsorted(reached, before + pieces - TINY, side="left"), begin, end)
        price = np.where(last < end, np.append(self.price, np.inf)[last], np.inf)
        price = np.minimum(price, self.cap)
        return self.value(price, needed, pieces), price

    def value(self, price: Floats, needed: Floats, pieces: Floats) -> Floats:
        """What the cuts of these prices ask of theta."""
        gain = np.maximum(np.repeat(price, np.diff(self.start)) - self.price, 0.0) * self.share * needed[self.vendor]
        return price * pieces - np.add.reduceat(gain, self.start[:-1])


def is_supply(compiled: Compiled) -> Flags:
    """Uses that cuts can speak of."""
    is_alone = np.bincount(compiled.use_offer, minlength=len(compiled.offer_row)) == 1
    separate = (is_alone | (compiled.offer_most >= compiled.offer_want)) & ~compiled.is_stepped
    offers = separate & compiled.vendors.has_one_price[compiled.offer_vendor]
    return offers[compiled.use_offer] & (compiled.use_combination < 0) & (compiled.group[compiled.use_portion] < 0)


class PoolProgram:
    """The linear relaxation over some vendors, solved again and again with vendors in and out.

    Attributes:
        work: simplex iterations so far, times a thousandth of the rows: what they take about.
        hit_time_limit: whether the safety limit bit.
    """

    def __init__(self, lagrangean: Lagrangean, pool: Flags, prices: Floats, dear: float) -> None:
        """State it.

        Args:
            lagrangean, pool: the problem, the vendors in the pool.
            prices: about what portions pay, by row, to tell near uses and to price orders in bands.
            dear: price at which any number of pieces can be had, so that there always is a solution.
        """
        self.hit_time_limit = False
        self.work = 0
        self._stop = np.inf
        orders = band_orders(lagrangean, prices, pool)
        compiled, self._vendor, vendors = orders.compiled, orders.vendor, pool[orders.vendor]
        self._count = np.bincount(self._vendor)
        near = NEAR if vendors.sum() > FEW else np.inf
        in_pool = vendors[compiled.offer_vendor[compiled.use_offer]]
        supplied = in_pool & is_supply(compiled)
        uses, stand_ins = _near_uses(compiled, in_pool & ~supplied, prices, dear, near)
        cap = np.full(len(compiled.need), dear)
        cap[stand_ins.cell_portion] = stand_ins.price  # portions with supply have one cell
        self._supply = Supply.of(compiled, supplied, cap)
        stand_ins = _with_supply(stand_ins, self._supply)
        options = ModelOptions(
            vendors, uses, whole=False, unfilled_limit=lagrangean.unfilled_limit, relaxation=stand_ins
        )
        model = build_model(compiled, options)
        first = int((model.handling_paid >= 0).sum())
        components = len(compiled.component_combination)
        portions = np.arange(len(compiled.need)) + first + components
        self._rows = np.append(portions, np.arange(components) + first)
        cell = np.full(len(compiled.need), -1)
        cell[stand_ins.cell_portion] = np.arange(len(stand_ins.cell_portion))
        self._pieces = model.outside[cell[self._supply.portion]]
        program, self._vendor_column, self._theta = _with_cut_columns(model, vendors, self._pieces)
        self._orders = np.flatnonzero(self._vendor_column >= 0)
        self._columns = self._vendor_column[self._orders].astype(np.int32)
        self._solver = _solver_of(program)
        self._add_choices()
        self._add_cuts(np.arange(len(self._supply.portion)), np.minimum(prices[self._supply.portion], self._supply.cap))

    def stop_at(self, value: float) -> None:
        """Let the solver stop where its own value exceeds this a little: the node is done with."""
        self._stop = value + 1e-3 * abs(value)
        self._solver.setOptionValue("objective_bound", self._stop)

    def solve(
        self, is_in: Flags, is_out: Flags, is_shut: Flags | None = None, settled: float = EXACTLY
    ) -> Prices | None:
        """Prices with some vendors used and others not; None if the solver has none to offer.

        Args:
            is_in, is_out, is_shut: vendors, and orders that are not placed (lagrangean.py).
            settled: how much, as a share of the cost, cuts may still be broken by.
        """
        self._restrict(is_in, is_out, is_shut)
        for _ in range(CUT_ROUNDS):
            if not self._run():
                return None
            solution = self._solver.getSolution()
            values = np.array(solution.col_value)
            needed = np.zeros(len(self._vendor))
            needed[self._orders] = values[self._columns]
            if self.value >= self._stop or not self._separate(needed, values, settled):
                break
        by_vendor = np.bincount(self._vendor, needed).astype(np.float64)
        return Prices(np.array(solution.row_dual)[self._rows], by_vendor, needed)

    @property
    def value(self) -> float:
        """Of the last solution."""
        return float(self._solver.getInfo().objective_function_value)

    @property
    def basis(self) -> highspy.HighsBasis:
        """Of the last solution, to start others from."""
        return self._solver.getBasis()

    def start_from(self, basis: highspy.HighsBasis) -> None:
        """Start the next program from a basis of this one, which may have got more cuts since."""
        rows = basis.row_status
        if more := self._solver.getNumRow() - len(rows):
            basis.row_status = [*rows, *[highspy.HighsBasisStatus.kBasic] * more]
        self._solver.setBasis(basis)

    def probe(self, is_in: Flags, is_out: Flags, is_shut: Flags, basis: highspy.HighsBasis) -> float:
        """About what the solution's cost becomes with vendors in and out: after a few iterations from a basis."""
        self._restrict(is_in, is_out, is_shut)
        self._solver.setOptionValue("simplex_iteration_limit", PROBE_ITERATIONS)
        self._run()
        value = self.value
        self._solver.setOptionValue("simplex_iteration_limit", highspy.kHighsIInf)
        self.start_from(basis)
        return value

    def _add_choices(self) -> None:
        """At most one order of a vendor with several."""
        several = np.flatnonzero(self._count[self._vendor[self._orders]] > 1)
        self._choosers, start = np.unique(self._vendor[self._orders[several]], return_index=True)
        self._choices = (self._solver.getNumRow() + np.arange(len(start))).astype(np.int32)
        if len(start):
            columns, ones = self._columns[several], np.ones(len(several))
            lower, upper = np.zeros(len(start)), np.ones(len(start))
            self._solver.addRows(len(start), lower, upper, len(columns), start.astype(np.int32), columns, ones)

    def _restrict(self, is_in: Flags, is_out: Flags, is_shut: Flags | None) -> None:
        vendor = self._vendor[self._orders]
        lower = (is_in[vendor] & (self._count[vendor] == 1)).astype(np.float64)
        shut = is_out[vendor] if is_shut is None else is_out[vendor] | is_shut[self._orders]
        upper = (~shut).astype(np.float64)
        self._solver.changeColsBounds(len(self._columns), self._columns, lower, upper)
        if len(self._choices):
            for row, vendor in zip(self._choices.tolist(), self._choosers.tolist(), strict=True):
                self._solver.changeRowBounds(row, float(is_in[vendor]), 1.0)

    def _run(self) -> bool:
        # The limit counts all runs of this solver.
        self._solver.setOptionValue("time_limit", self._solver.getRunTime() + linear.SAFETY_SECONDS)
        self._solver.run()
        iterations = max(0, self._solver.getInfo().simplex_iteration_count)
        self.work += iterations * self._solver.getNumRow() // 1000
        self.hit_time_limit |= self._solver.getModelStatus() == highspy.HighsModelStatus.kTimeLimit
        return bool(self._solver.getSolution().dual_valid)

    def _separate(self, needed: Floats, values: Floats, settled: float) -> bool:
        """Add the cuts that a solution breaks; whether they matter."""
        if not len(self._supply.portion):
            return False
        cost, price = self._supply.cost(needed, values[self._pieces])
        broken_by = cost - values[self._theta]
        broken = np.flatnonzero(broken_by > BROKEN_BY)
        if broken_by[broken].sum() < settled * abs(self.value):
            return False
        self._add_cuts(broken, price[broken])
        return True

    def _add_cuts(self, places: Ints, price: Floats) -> None:
        """The cut of a price for each of some portions (places in the supply)."""
        if not len(places):
            return
        supply = self._supply
        count = np.diff(supply.start)[places]
        begin = np.repeat(supply.start[places], count)
        at = begin + np.arange(len(begin)) - np.repeat(np.cumsum(count) - count, count)
        row = np.repeat(np.arange(len(places)), count)
        gain = (np.repeat(price, count) - supply.price[at]) * supply.share[at]
        gains = gain > 0
        column = self._vendor_column[supply.vendor[at[gains]]]
        # A vendor may have several offers for one portion.
        width = self._solver.getNumCol()
        entry, place = np.unique(row[gains] * width + column, return_inverse=True)
        ones = np.arange(len(places))
        rows = np.concatenate([ones, ones, entry // width])
        columns = np.concatenate([self._theta[places], self._pieces[places], entry % width])
        entries = np.concatenate([np.ones(len(places)), -price, np.bincount(place.ravel(), gain[gains], len(entry))])
        order = np.argsort(rows, kind="stable")
        starts = np.searchsorted(rows[order], ones).astype(np.int32)
        self._solver.addRows(
            len(places),
            np.zeros(len(places)),
            np.full(len(places), highspy.kHighsInf),
            len(rows),
            starts,
            columns[order].astype(np.int32),
            entries[order],
        )


def _with_supply(stand_ins: Relaxation, supply: Supply) -> Relaxation:
    """Stand-ins of portions with supply take the supply's pieces, which its cuts charge for."""
    with_supply = np.isin(stand_ins.cell_portion, supply.portion)
    portion = np.concatenate([stand_ins.cell_portion[~with_supply], supply.portion])
    colour = np.concatenate([stand_ins.cell_colour[~with_supply], np.zeros(len(supply.portion), np.int64)])
    price = np.concatenate([stand_ins.price[~with_supply], np.zeros(len(supply.portion))])
    return Relaxation(portion, colour, price)


def _with_cut_columns(model: PlanProgram, vendors: Flags, pieces: Ints) -> tuple[linear.Program, Ints, Ints]:
    """The program with a column for every vendor and for each portion's cost of supply; vendors' columns, and those."""
    portion_count, upper = len(pieces), model.program.upper.copy()
    upper[pieces] = np.inf  # the demand says it, and must be the only one to, or its dual is no price
    program, column, bands = model.program, model.vendor.copy(), model.compiled.vendors.bands
    fresh = np.flatnonzero(vendors & (column < 0))
    fresh = fresh[[bool(bands[number].bands) for number in fresh.tolist()]]
    first = len(program.cost)
    column[fresh] = first + np.arange(len(fresh))
    theta = first + len(fresh) + np.arange(portion_count)
    fixed = np.array([float(bands[number].bands[0].fixed) for number in fresh.tolist()], np.float64)
    used = column[column >= 0]
    limit = model.compiled.maximum_vendor_count
    rows = 0 if limit is None else 1
    return (
        replace(
            program,
            cost=np.concatenate([program.cost, fixed, np.ones(portion_count)]),
            lower=np.append(program.lower, np.zeros(len(fresh) + portion_count)),
            upper=np.concatenate([upper, np.ones(len(fresh)), np.full(portion_count, np.inf)]),
            is_integer=np.zeros(first + len(fresh) + portion_count, np.bool_),
            row_lower=np.append(program.row_lower, np.full(rows, -np.inf)),
            row_upper=np.append(program.row_upper, np.full(rows, 0.0 if limit is None else float(limit))),
            entry_row=np.append(program.entry_row, np.full(rows * len(used), len(program.row_lower))),
            entry_column=np.append(program.entry_column, np.tile(used, rows)),
            entry_value=np.append(program.entry_value, np.ones(rows * len(used))),
        ),
        column,
        theta,
    )


def _solver_of(program: linear.Program) -> highspy.Highs:
    solver = highspy._Highs()  # type: ignore[attr-defined]  # its public twin prints a banner
    settings = {"output_flag": False, "threads": 1, "random_seed": 0}
    for name, value in settings.items():
        solver.setOptionValue(name, value)
    solver.passModel(linear._as_highs(program))
    return solver


def _near_uses(
    compiled: Compiled, in_pool: Flags, prices: Floats, dear: float, near: float
) -> tuple[Flags, Relaxation]:
    """Uses worth stating, and stand-ins for the rest at the price of the cheapest left out, at most ``dear``."""
    portion, vendor = compiled.use_portion, compiled.offer_vendor[compiled.use_offer]
    floor = compiled.offer_floor[compiled.use_offer]
    droppable = in_pool & (compiled.use_combination < 0)
    droppable &= (compiled.step_count == 1)[compiled.use_offer]
    reach = np.where(compiled.vendors.is_rising, near, near * MORE_NEAR)[vendor]
    dropped = droppable & (floor > reach * np.maximum(prices[portion], TINY))
    grouped = compiled.group[portion] >= 0
    width = int(compiled.use_colour.max(initial=0)) + 1
    cell = portion * width + np.where(grouped, compiled.use_colour, 0)
    cells, place = np.unique(cell, return_inverse=True)
    price = np.full(len(cells), dear)
    np.minimum.at(price, place[dropped], floor[dropped])
    return in_pool & ~dropped, Relaxation(cells // width, cells % width, price)
