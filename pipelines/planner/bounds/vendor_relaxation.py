"""The linear relaxation of a large problem over some vendors, kept small: cuts state what most offers cost a portion.

Take an offer of a vendor with nothing but a fixed charge, with stock for every portion that can use it. It meets other offers
only in its portion's demand, so the program has no column for it. The portion has two columns for all such offers: the pieces
``z`` that they supply, and their cost ``theta``. For any price ``p``, theta is at least p z, less what the vendors in use gain
at that price:

    theta >= p z - sum over offers cheaper than p of (p - price) stock y[vendor]

Only those of these rows are stated that a solution breaks: a few for each portion, where the usual program has a row and a
column for every offer. All other offers keep theirs (program/rows.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import highspy
import numpy as np

from pipelines.planner.bounds.band_orders import band_orders
from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ProgramOptions
from pipelines.planner.program.rows import PlanProgram, build_program
from pipelines.planner.reduction.stand_ins import StandIns
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.tolerances import BROKEN_CUT

NEAR = 1.3
"""Of uses with columns of their own, those up to so many times as dear as their portion's price are stated; a stand-in takes
the place of the rest."""

MORE_NEAR = 1.25
"""Of vendors with thresholds, uses so many times dearer still are stated, because they help to reach those."""

FEW = 30
"""Up to so many vendors, all uses are stated."""

CUT_ROUNDS = 30
"""Programs that are solved for one set of prices, at most: one after each round of cuts."""

EXACTLY, NEARLY = 1e-6, 1e-4
"""A solution is good enough that breaks all cuts together by less than this share of its cost. The larger share is for nodes
with vendors left to branch on."""

TINY = 1e-7

PROBE_ITERATIONS = 50
"""Simplex iterations of a probe."""


@dataclass
class RowPrices:
    """Prices by row (lagrangean.py), and how much of each vendor and each order the linear program uses (0 to 1)."""

    rows: Floats
    vendor_shares: Floats
    order_shares: Floats


@dataclass(frozen=True)
class Supply:
    """The uses that cuts are about, by portion and price.

    Attributes:
        portion: portions that have any.
        start: where each portion's uses start, and the number of uses.
        vendor, price, share: of the uses; prices as costs, shares as the most pieces.
        cap: the price at which each portion can have any number of pieces.
    """

    portion: Ints
    start: Ints
    vendor: Ints
    price: Floats
    share: Floats
    cap: Floats

    @classmethod
    def of(cls, arrays: ProblemArrays, uses: Flags, cap: Floats) -> Supply:
        """Of some uses, with the caps of all portions."""
        use = np.flatnonzero(uses)
        offer = arrays.use_offer[use]
        price = arrays.offer_floor[offer]
        order = np.lexsort((use, price, arrays.use_portion[use]))
        use, offer, price = use[order], offer[order], price[order]
        share = np.minimum(arrays.use_want[use], arrays.offer_limit[offer])
        portion, start = np.unique(arrays.use_portion[use], return_index=True)
        return cls(
            portion,
            np.append(start, len(use)),
            arrays.offer_vendor[offer],
            price,
            share.astype(np.float64),
            cap[portion],
        )

    def cost(self, order_shares: Floats, pieces: Floats) -> tuple[Floats, Floats]:
        """What the pieces cost each portion with some shares of the orders, and the price of the last piece."""
        reached = np.cumsum(self.share * order_shares[self.vendor])
        begin, end = self.start[:-1], self.start[1:]
        before = np.append(0.0, reached)[begin]
        last = np.clip(np.searchsorted(reached, before + pieces - TINY, side="left"), begin, end)
        price = np.where(last < end, np.append(self.price, np.inf)[last], np.inf)
        price = np.minimum(price, self.cap)
        return self.value(price, order_shares, pieces), price

    def value(self, price: Floats, order_shares: Floats, pieces: Floats) -> Floats:
        """The least that theta can be by the cuts of these prices.

        The cuts are Benders' in closed form: Fischetti, Ljubic & Sinnl, Redesigning Benders decomposition for large-scale
        facility location, Management Science 63 (2017) 2146-2162, doi 10.1287/mnsc.2016.2461.
        """
        gain = (
            np.maximum(np.repeat(price, np.diff(self.start)) - self.price, 0.0) * self.share * order_shares[self.vendor]
        )
        return price * pieces - np.add.reduceat(gain, self.start[:-1])


def is_supply(arrays: ProblemArrays) -> Flags:
    """Uses that cuts can be about."""
    is_alone = np.bincount(arrays.use_offer, minlength=len(arrays.offer_row)) == 1
    separate = (is_alone | (arrays.offer_most >= arrays.offer_want)) & ~arrays.is_stepped
    offers = separate & arrays.vendors.has_one_price[arrays.offer_vendor]
    found: Flags = offers[arrays.use_offer] & (arrays.use_combination < 0) & (arrays.group[arrays.use_portion] < 0)
    return found


class VendorRelaxation:
    """The linear relaxation over some vendors, solved again and again with vendors in and out.

    Attributes:
        work: simplex iterations so far, times a thousandth of the rows, which is about what they take.
        hit_time_limit: whether the safety limit on time was met.
    """

    def __init__(self, lagrangean: Lagrangean, pool: Flags, prices: Floats, last_resort_price: float) -> None:
        """State the program.

        Args:
            lagrangean: the problem.
            pool: the vendors that may be used.
            prices: about what portions pay, by row: they decide which uses are near, and price orders in bands.
            last_resort_price: at this price any number of pieces can be had, so that there is always a solution.
        """
        self.hit_time_limit = False
        self.work = 0
        self._stop = np.inf
        orders = band_orders(lagrangean, prices, pool)
        arrays, self._vendor, vendors = orders.arrays, orders.vendor, pool[orders.vendor]
        self._count = np.bincount(self._vendor)
        near = NEAR if vendors.sum() > FEW else np.inf
        in_pool = vendors[arrays.offer_vendor[arrays.use_offer]]
        supplied = in_pool & is_supply(arrays)
        uses, stand_ins = _near_uses(arrays, in_pool & ~supplied, prices, last_resort_price, near)
        cap = np.full(len(arrays.need), last_resort_price)
        cap[stand_ins.cell_portion] = stand_ins.price  # portions with supply have one cell
        self._supply = Supply.of(arrays, supplied, cap)
        stand_ins = _with_supply(stand_ins, self._supply)
        options = ProgramOptions(
            vendors, uses, whole=False, unfilled_limit=lagrangean.unfilled_limit, stand_ins=stand_ins
        )
        plan_program = build_program(arrays, options)
        first = int((plan_program.handling_paid >= 0).sum())
        components = len(arrays.component_combination)
        portions = np.arange(len(arrays.need)) + first + components
        self._rows = np.append(portions, np.arange(components) + first)
        cell = np.full(len(arrays.need), -1)
        cell[stand_ins.cell_portion] = np.arange(len(stand_ins.cell_portion))
        self._pieces = plan_program.outside[cell[self._supply.portion]]
        program, self._vendor_column, self._theta = _with_cut_columns(plan_program, vendors, self._pieces)
        self._orders = np.flatnonzero(self._vendor_column >= 0)
        self._columns = self._vendor_column[self._orders].astype(np.int32)
        self._solver = _solver_of(program)
        self._add_choices()
        self._add_cuts(np.arange(len(self._supply.portion)), np.minimum(prices[self._supply.portion], self._supply.cap))

    def stop_at(self, value: float) -> None:
        """Let the solver stop once its own value is a little above this, because the node is then settled."""
        self._stop = value + 1e-3 * abs(value)
        self._solver.setOptionValue("objective_bound", self._stop)

    def solve(
        self, is_in: Flags, is_out: Flags, is_shut: Flags | None = None, settled: float = EXACTLY
    ) -> RowPrices | None:
        """Prices with some vendors used and others not; None if the solver finds none.

        Args:
            is_in, is_out, is_shut: vendors, and orders that are not placed (lagrangean.py).
            settled: a solution may break cuts by this share of its cost.
        """
        self._restrict(is_in, is_out, is_shut)
        for _ in range(CUT_ROUNDS):
            if not self._run():
                return None
            solution = self._solver.getSolution()
            values = np.array(solution.col_value)
            order_shares = np.zeros(len(self._vendor))
            order_shares[self._orders] = values[self._columns]
            if self.value >= self._stop or not self._separate(order_shares, values, settled):
                break
        by_vendor = np.bincount(self._vendor, order_shares).astype(np.float64)
        return RowPrices(np.array(solution.row_dual)[self._rows], by_vendor, order_shares)

    @property
    def value(self) -> float:
        """The cost of the last solution."""
        return float(self._solver.getInfo().objective_function_value)

    @property
    def basis(self) -> highspy.HighsBasis:
        """The basis of the last solution, to start other programs from."""
        return self._solver.getBasis()

    def start_from(self, basis: highspy.HighsBasis) -> None:
        """Start the next program from a basis of this one, to which cuts may have been added since."""
        rows = basis.row_status
        if more := self._solver.getNumRow() - len(rows):
            basis.row_status = [*rows, *[highspy.HighsBasisStatus.kBasic] * more]
        self._solver.setBasis(basis)

    def probe(self, is_in: Flags, is_out: Flags, is_shut: Flags, basis: highspy.HighsBasis) -> float:
        """About what the cost becomes with vendors in and out: its value a few iterations after a basis."""
        self._restrict(is_in, is_out, is_shut)
        self._solver.setOptionValue("simplex_iteration_limit", PROBE_ITERATIONS)
        self._run()
        value = self.value
        self._solver.setOptionValue("simplex_iteration_limit", highspy.kHighsIInf)
        self.start_from(basis)
        return value

    def _add_choices(self) -> None:
        """State that at most one of a vendor's orders is placed."""
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

    def _separate(self, order_shares: Floats, values: Floats, settled: float) -> bool:
        """Add the cuts that a solution breaks; returns whether they matter."""
        if not len(self._supply.portion):
            return False
        cost, price = self._supply.cost(order_shares, values[self._pieces])
        broken_by = cost - values[self._theta]
        broken = np.flatnonzero(broken_by > BROKEN_CUT)
        if broken_by[broken].sum() < settled * abs(self.value):
            return False
        self._add_cuts(broken, price[broken])
        return True

    def _add_cuts(self, places: Ints, price: Floats) -> None:
        """Add the cut of a price for each of some portions (places in the supply)."""
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


def _with_supply(stand_ins: StandIns, supply: Supply) -> StandIns:
    """The stand-ins, with those of portions with supply turned into the supply's pieces, whose cost the cuts state."""
    with_supply = np.isin(stand_ins.cell_portion, supply.portion)
    portion = np.concatenate([stand_ins.cell_portion[~with_supply], supply.portion])
    colour = np.concatenate([stand_ins.cell_colour[~with_supply], np.zeros(len(supply.portion), np.int64)])
    price = np.concatenate([stand_ins.price[~with_supply], np.zeros(len(supply.portion))])
    return StandIns(portion, colour, price)


def _with_cut_columns(plan_program: PlanProgram, vendors: Flags, pieces: Ints) -> tuple[linear.Program, Ints, Ints]:
    """The program with a column for every vendor and for each portion's cost of supply.

    Returns:
        The program, the columns by vendor, and those of the costs by portion.
    """
    portion_count, upper = len(pieces), plan_program.program.upper.copy()
    upper[pieces] = np.inf  # only the demand may limit the pieces, or its dual is no price
    program, column, bands = plan_program.program, plan_program.vendor.copy(), plan_program.arrays.vendors.bands
    fresh = np.flatnonzero(vendors & (column < 0))
    fresh = fresh[[bool(bands[number].bands) for number in fresh.tolist()]]
    first = len(program.cost)
    column[fresh] = first + np.arange(len(fresh))
    theta = first + len(fresh) + np.arange(portion_count)
    fixed = np.array([float(bands[number].bands[0].fixed) for number in fresh.tolist()], np.float64)
    used = column[column >= 0]
    limit = plan_program.arrays.maximum_vendor_count
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
    solver = linear.quiet_solver()
    solver.setOptionValue("random_seed", 0)
    solver.passModel(linear._as_highs(program))
    return solver


def _near_uses(
    arrays: ProblemArrays, in_pool: Flags, prices: Floats, last_resort_price: float, near: float
) -> tuple[Flags, StandIns]:
    """Uses to state, and stand-ins for the rest at the price of the cheapest left out, or the last resort's if lower."""
    portion, vendor = arrays.use_portion, arrays.offer_vendor[arrays.use_offer]
    floor = arrays.offer_floor[arrays.use_offer]
    droppable = in_pool & (arrays.use_combination < 0)
    droppable &= (arrays.step_count == 1)[arrays.use_offer]
    reach = np.where(arrays.vendors.is_rising, near, near * MORE_NEAR)[vendor]
    dropped = droppable & (floor > reach * np.maximum(prices[portion], TINY))
    grouped = arrays.group[portion] >= 0
    width = int(arrays.use_colour.max(initial=0)) + 1
    cell = portion * width + np.where(grouped, arrays.use_colour, 0)
    cells, place = np.unique(cell, return_inverse=True)
    price = np.full(len(cells), last_resort_price)
    np.minimum.at(price, place[dropped], floor[dropped])
    return in_pool & ~dropped, StandIns(cells // width, cells % width, price)
