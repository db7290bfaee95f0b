"""The columns that every plan has: vendors, uses, purchases, handling charges, and what opens an offer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.program.linear import ProgramBuilder
from pipelines.planner.reduction.stand_ins import Fillers, StandIns
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.quantities import step_limits


@dataclass(frozen=True)
class ProgramOptions:
    """Which part of the problem to state, and how.

    Attributes:
        vendors, uses: vendors and uses that may be part of the plan.
        must_use: every one of the vendors must be used.
        whole: pieces are whole wherever whole numbers don't come by themselves. Otherwise the program is a relaxation: pieces
            may be fractions, and spares are counted by value, not by piece.
        unfilled_limit: most pieces left unfilled; None to minimise their number.
        penalty: cost of an unfilled piece.
        stand_ins: pieces in the place of uses left out.
        fillers: goods values that a relaxation may add to orders.
        loose_offers: in a relaxation, offers without linking rows of their own; their vendor's goods row links them.
    """

    vendors: Flags
    uses: Flags
    must_use: bool = False
    whole: bool = True
    unfilled_limit: int | None = 0
    penalty: float = 0.0
    stand_ins: StandIns | None = None
    fillers: Fillers | None = None
    loose_offers: Flags | None = None


@dataclass(frozen=True)
class GoodsColumns:
    """Every column that counts pieces bought.

    Attributes:
        column, offer: the column and its offer.
        step: its price step; -1 where pieces bought are pieces used.
        pieces: pieces per unit of the column; 0 for a relaxation's spares, which are counted by value.
        price: goods value per unit.
        base: what a price step costs beside its units once it is taken, as goods value.
        most: most units.
    """

    column: Ints
    offer: Ints
    step: Ints
    pieces: Ints
    price: Floats
    base: Floats
    most: Ints


@dataclass(frozen=True)
class ValueColumns:
    """Every column that adds to an order's goods value: ``price`` per unit, ``most`` units."""

    column: Ints
    offer: Ints
    price: Floats
    most: Ints


@dataclass
class PlanColumns:
    """Columns by what they stand for, -1 for what has none, and the builder that the rows go to.

    Attributes:
        vendor: binaries by vendor.
        use: pieces by use.
        handling_paid, handling_waived: binaries by handling charge; one of them is 1 if the assortment is used.
        goods: columns that count pieces bought.
        worth: columns that add to goods values; complete once the price steps are stated.
        priced: what goods columns cost per unit of goods value: the factor, or 0 where that is NaN
            or cost is not minimised.
        factor: what one unit of goods value costs, by vendor; NaN where it differs between bands.
        counted: offers whose pieces bought are counted apart from pieces used.
    """

    builder: ProgramBuilder
    arrays: ProblemArrays
    options: ProgramOptions
    vendor: Ints
    use: Ints
    goods: GoodsColumns
    worth: ValueColumns
    priced: Floats
    factor: Floats
    counted: Flags
    handling_paid: Ints
    handling_waived: Ints

    @property
    def with_cost(self) -> bool:
        """Whether cost is what is minimised."""
        return self.options.unfilled_limit is not None

    def gate(self, rows: Ints, offers: Ints, limits: Ints) -> None:
        """Add to rows minus ``limits`` times what opens the offers: their assortment's binaries, or their vendor's."""
        handling = self.arrays.offer_assortment[offers]
        direct = handling < 0
        self.builder.entries(rows[direct], self.vendor[self.arrays.offer_vendor[offers[direct]]], -limits[direct])
        for columns in (self.handling_paid, self.handling_waived):
            column = columns[handling[~direct]] if len(columns) else np.zeros(0, np.int64)
            known = column >= 0
            self.builder.entries(rows[~direct][known], column[known], -limits[~direct][known])


def plan_columns(builder: ProgramBuilder, arrays: ProblemArrays, options: ProgramOptions) -> PlanColumns:
    """The columns that every plan has."""
    vendors = arrays.vendors
    is_open = options.uses & options.vendors[arrays.offer_vendor[arrays.use_offer]]
    factor = np.array([_uniform_factor([float(band.factor) for band in terms.bands]) for terms in vendors.bands])
    with_cost = options.unfilled_limit is not None
    priced = np.nan_to_num(factor) if with_cost else np.zeros(len(vendors))
    used_vendors = np.unique(arrays.offer_vendor[arrays.use_offer[is_open]])
    vendor = _placed(len(vendors), used_vendors, _vendor_columns(builder, arrays, options, used_vendors))
    breaks_flow = ~vendors.keeps_flow
    counted = arrays.is_counted if options.whole else arrays.is_stepped
    use, goods = _use_columns(builder, arrays, np.flatnonzero(is_open), priced, counted, breaks_flow & options.whole)
    blocks = [goods, _step_columns(builder, arrays, is_open, priced, counted, breaks_flow, options.whole)]
    if not options.whole:
        blocks.append(_spares_columns(builder, arrays, is_open, priced))
    if options.fillers is not None:
        blocks.append(_filler_columns(builder, arrays, options, priced))
    goods = GoodsColumns(
        **{
            name: np.concatenate([getattr(block, name) for block in blocks])
            for name in GoodsColumns.__dataclass_fields__
        }
    )
    worth = ValueColumns(goods.column, goods.offer, goods.price, goods.most)
    paid, waived = _handling_columns(builder, arrays, is_open, vendor, with_cost)
    return PlanColumns(builder, arrays, options, vendor, use, goods, worth, priced, factor, counted, paid, waived)


def _uniform_factor(factors: list[float]) -> float:
    return factors[0] if len(set(factors)) == 1 else np.nan


def _placed(count: int, where: Ints, columns: Ints) -> Ints:
    placed = np.full(count, -1, np.int64)
    placed[where] = columns
    return placed


def _vendor_columns(builder: ProgramBuilder, arrays: ProblemArrays, options: ProgramOptions, used: Ints) -> Ints:
    fixed = np.array([float(terms.bands[0].fixed) if terms.is_one_band else 0.0 for terms in arrays.vendors.bands])
    cost = fixed[used] if options.unfilled_limit is not None else 0.0
    lower = np.maximum(arrays.vendors.is_forced[used], options.must_use)
    return builder.columns(len(used), cost=cost, lower=lower, upper=1.0, integer=not options.must_use)


def _use_columns(
    builder: ProgramBuilder, arrays: ProblemArrays, used: Ints, priced: Floats, counted: Flags, whole: Flags
) -> tuple[Ints, GoodsColumns]:
    """Pieces used. Where these are the pieces bought, they carry the cost.

    In a relaxation that is so even where the least on sale is more than can be used: its price is then spread over the pieces
    that can be used.
    """
    offer = arrays.use_offer[used]
    vendor = arrays.offer_vendor[offer]
    bought = ~counted[offer]
    price = np.where(bought, (arrays.offer_price * arrays.offer_spread)[offer], 0.0)
    most = np.minimum(arrays.use_want[used], arrays.offer_most[offer])
    columns = builder.columns(len(used), cost=price * priced[vendor], upper=most, integer=bought & whole[vendor])
    ones = np.ones(int(bought.sum()), np.int64)
    goods = GoodsColumns(columns[bought], offer[bought], -ones, ones, price[bought], 0.0 * price[bought], most[bought])
    return _placed(len(arrays.use_offer), used, columns), goods


def _step_columns(
    builder: ProgramBuilder,
    arrays: ProblemArrays,
    is_open: Flags,
    priced: Floats,
    counted: Flags,
    breaks_flow: Flags,
    whole: bool,
) -> GoodsColumns:
    """Multiples bought per price step, for offers of which more may be bought than is used."""
    needed = np.zeros(len(arrays.offer_row), np.bool_)
    needed[arrays.use_offer[is_open]] = True
    limits = step_limits(arrays)
    step = np.flatnonzero((counted & needed)[arrays.step_offer] & (limits > 0))
    offer = arrays.step_offer[step]
    vendor, pieces = arrays.offer_vendor[offer], arrays.offer_multiple[offer]
    price = arrays.step_price[step] * pieces
    columns = builder.columns(
        len(step),
        cost=price * priced[vendor],
        upper=limits[step] // pieces,
        integer=((pieces > 1) | breaks_flow[vendor]) & whole,
    )
    return GoodsColumns(columns, offer, step, pieces, price, arrays.step_base[step], limits[step] // pieces)


def _spares_columns(builder: ProgramBuilder, arrays: ProblemArrays, is_open: Flags, priced: Floats) -> GoodsColumns:
    """Values of spares, by assortment of each vendor with thresholds; each stated with some offer of theirs.

    Offers whose uses were left out as needless count too: their pieces may still be bought to reach a threshold.
    """
    uses = is_open & ~arrays.vendors.is_rising[arrays.offer_vendor[arrays.use_offer]]
    used = np.unique(arrays.use_offer[uses])
    place = np.stack([arrays.offer_vendor, arrays.offer_assortment], axis=1)
    places, first = np.unique(place[used], axis=0, return_index=True)
    known, place_of = np.unique(place, axis=0, return_inverse=True)
    last = arrays.step_start[1:] - 1
    spares = arrays.step_most[last] if arrays.allow_spares else arrays.step_least[last] - 1
    worth = np.ceil(np.bincount(place_of.ravel(), arrays.offer_highest_price * spares, len(known)))
    most = np.minimum(worth[place_of.ravel()[used[first]]], np.ceil(arrays.highest_threshold[places[:, 0]]))
    columns = builder.columns(len(places), cost=priced[places[:, 0]], upper=most)
    return _value_goods(columns, used[first], most)


def _filler_columns(
    builder: ProgramBuilder, arrays: ProblemArrays, options: ProgramOptions, priced: Floats
) -> GoodsColumns:
    assert options.fillers is not None
    fillers, vendor = options.fillers, arrays.offer_vendor[options.fillers.offer]
    usable = options.vendors[vendor]
    cost = (priced[vendor] - fillers.credit)[usable] if options.unfilled_limit is not None else 0.0
    most = np.ceil(np.minimum(fillers.most, arrays.highest_threshold[vendor])[usable])
    return _value_goods(builder.columns(int(usable.sum()), cost=cost, upper=most), fillers.offer[usable], most)


def _value_goods(columns: Ints, offers: Ints, most: Floats) -> GoodsColumns:
    nothing = np.zeros(len(columns), np.int64)
    return GoodsColumns(
        columns, offers, nothing - 1, nothing, np.ones(len(columns)), np.zeros(len(columns)), most.astype(np.int64)
    )


def _handling_columns(
    builder: ProgramBuilder, arrays: ProblemArrays, is_open: Flags, vendor: Ints, with_cost: bool
) -> tuple[Ints, Ints]:
    used = np.unique(arrays.offer_assortment[arrays.use_offer[is_open]])
    used = used[used >= 0]
    charge = arrays.handling_charge[used] if with_cost else 0.0
    can_waive = np.array([waived_from is not None for waived_from in arrays.handling_waived_from], np.bool_)
    waivable = used[can_waive[used]] if len(used) else used
    count = len(arrays.handling_charge)
    paid = _placed(count, used, builder.columns(len(used), cost=charge, upper=1.0, integer=True))
    waived = _placed(count, waivable, builder.columns(len(waivable), upper=1.0, integer=True))
    rows = _placed(count, used, builder.rows(len(used), upper=0.0))
    builder.entries(rows[used], paid[used], 1.0)
    builder.entries(rows[waivable], waived[waivable], 1.0)
    builder.entries(rows[used], vendor[arrays.handling_vendor[used]], -1.0)
    return paid, waived
