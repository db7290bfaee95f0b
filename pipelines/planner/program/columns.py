"""The columns of a plan while its program is being written: vendors, uses, purchases, and what opens an offer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.program.linear import ProgramBuilder
from pipelines.planner.reduction.stand_ins import Fillers, Relaxation
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled
from pipelines.planner.statement.quantities import step_limits


@dataclass(frozen=True)
class ModelOptions:
    """Which part of the problem to state, and how.

    Attributes:
        vendors, uses: vendors and uses that may be part of the plan.
        must_use: they must all be used.
        whole: pieces are whole where whole numbers don't come by themselves. Otherwise the program is a relaxation: pieces
            may be fractions, and spares are counted by value, not by piece.
        unfilled_limit: most pieces left unfilled; None when their number is what is minimised.
        penalty: cost of an unfilled piece.
        relaxation: stands in for uses left out.
        fillers: goods values a relaxation may add to orders.
        loose_offers: offers without linking rows of their own, in a relaxation; their vendor's goods row links them.
    """

    vendors: Flags
    uses: Flags
    must_use: bool = False
    whole: bool = True
    unfilled_limit: int | None = 0
    penalty: float = 0.0
    relaxation: Relaxation | None = None
    fillers: Fillers | None = None
    loose_offers: Flags | None = None


@dataclass(frozen=True)
class Goods:
    """Every column that counts pieces bought.

    Attributes:
        column, offer: the column and its offer.
        step: its price step; -1 where pieces bought are pieces used.
        pieces: pieces per unit of the column; 0 for a relaxation's spares, whose unit is one of the vendor's currency.
        price: price per unit, in the vendor's currency.
        base: what a price step costs beside its units once it is taken, in the vendor's currency.
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
class Worth:
    """Every column that adds to the goods value of an order: ``price`` per unit (vendor's currency), ``most`` units."""

    column: Ints
    offer: Ints
    price: Floats
    most: Ints


@dataclass
class Draft:
    """Columns by what they stand for; -1 for what has none.

    Attributes:
        vendor: binaries by vendor.
        use: pieces by use.
        handling_paid, handling_waived: binaries by handling charge; one of them is 1 if the assortment is used.
        priced: buyer's cost that goods columns carry per unit of the vendor's currency: the factor, 0 where that is NaN or
            cost is not minimised.
        factor: buyer's cost of one unit of goods by vendor; NaN where it differs between bands.
        counted: offers whose pieces bought are counted apart from pieces used.
        worth: complete once the price steps are stated.
    """

    builder: ProgramBuilder
    compiled: Compiled
    options: ModelOptions
    vendor: Ints
    use: Ints
    goods: Goods
    worth: Worth
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
        """Subtract ``limits`` times what opens the offers: their assortment's binaries, or their vendor's."""
        handling = self.compiled.offer_assortment[offers]
        direct = handling < 0
        self.builder.entries(rows[direct], self.vendor[self.compiled.offer_vendor[offers[direct]]], -limits[direct])
        for columns in (self.handling_paid, self.handling_waived):
            column = columns[handling[~direct]] if len(columns) else np.zeros(0, np.int64)
            known = column >= 0
            self.builder.entries(rows[~direct][known], column[known], -limits[~direct][known])


def begin(builder: ProgramBuilder, compiled: Compiled, options: ModelOptions) -> Draft:
    """The columns that every plan has."""
    vendors = compiled.vendors
    is_open = options.uses & options.vendors[compiled.offer_vendor[compiled.use_offer]]
    factor = np.array([_uniform_factor([float(band.factor) for band in terms.bands]) for terms in vendors.bands])
    with_cost = options.unfilled_limit is not None
    priced = np.nan_to_num(factor) if with_cost else np.zeros(len(vendors))
    used_vendors = np.unique(compiled.offer_vendor[compiled.use_offer[is_open]])
    vendor = _placed(len(vendors), used_vendors, _vendor_columns(builder, compiled, options, used_vendors))
    breaks_flow = ~vendors.keeps_flow
    counted = compiled.is_counted if options.whole else compiled.is_stepped
    use, goods = _use_columns(builder, compiled, np.flatnonzero(is_open), priced, counted, breaks_flow & options.whole)
    blocks = [goods, _step_columns(builder, compiled, is_open, priced, counted, breaks_flow, options.whole)]
    if not options.whole:
        blocks.append(_spares_columns(builder, compiled, is_open, priced))
    if options.fillers is not None:
        blocks.append(_filler_columns(builder, compiled, options, priced))
    goods = Goods(
        **{name: np.concatenate([getattr(block, name) for block in blocks]) for name in Goods.__dataclass_fields__}
    )
    worth = Worth(goods.column, goods.offer, goods.price, goods.most)
    paid, waived = _handling_columns(builder, compiled, is_open, vendor, with_cost)
    return Draft(builder, compiled, options, vendor, use, goods, worth, priced, factor, counted, paid, waived)


def _uniform_factor(factors: list[float]) -> float:
    return factors[0] if len(set(factors)) == 1 else np.nan


def _placed(count: int, where: Ints, columns: Ints) -> Ints:
    placed = np.full(count, -1, np.int64)
    placed[where] = columns
    return placed


def _vendor_columns(builder: ProgramBuilder, compiled: Compiled, options: ModelOptions, used: Ints) -> Ints:
    fixed = np.array([float(terms.bands[0].fixed) if terms.is_one_band else 0.0 for terms in compiled.vendors.bands])
    cost = fixed[used] if options.unfilled_limit is not None else 0.0
    lower = np.maximum(compiled.vendors.is_forced[used], options.must_use)
    return builder.columns(len(used), cost=cost, lower=lower, upper=1.0, integer=not options.must_use)


def _use_columns(
    builder: ProgramBuilder, compiled: Compiled, used: Ints, priced: Floats, counted: Flags, whole: Flags
) -> tuple[Ints, Goods]:
    """Pieces used. Where they are the pieces bought, they carry the cost.

    In a relaxation that is so even if the least that can be bought is more than can be used; then its price is spread over
    the pieces that can be.
    """
    offer = compiled.use_offer[used]
    vendor = compiled.offer_vendor[offer]
    bought = ~counted[offer]
    price = np.where(bought, (compiled.offer_price * compiled.offer_spread)[offer], 0.0)
    most = np.minimum(compiled.use_want[used], compiled.offer_most[offer])
    columns = builder.columns(len(used), cost=price * priced[vendor], upper=most, integer=bought & whole[vendor])
    ones = np.ones(int(bought.sum()), np.int64)
    goods = Goods(columns[bought], offer[bought], -ones, ones, price[bought], 0.0 * price[bought], most[bought])
    return _placed(len(compiled.use_offer), used, columns), goods


def _step_columns(
    builder: ProgramBuilder,
    compiled: Compiled,
    is_open: Flags,
    priced: Floats,
    counted: Flags,
    breaks_flow: Flags,
    whole: bool,
) -> Goods:
    """Multiples bought per price step, for offers of which more may be bought than is used."""
    needed = np.zeros(len(compiled.offer_row), np.bool_)
    needed[compiled.use_offer[is_open]] = True
    limits = step_limits(compiled)
    step = np.flatnonzero((counted & needed)[compiled.step_offer] & (limits > 0))
    offer = compiled.step_offer[step]
    vendor, pieces = compiled.offer_vendor[offer], compiled.offer_multiple[offer]
    price = compiled.step_price[step] * pieces
    columns = builder.columns(
        len(step),
        cost=price * priced[vendor],
        upper=limits[step] // pieces,
        integer=((pieces > 1) | breaks_flow[vendor]) & whole,
    )
    return Goods(columns, offer, step, pieces, price, compiled.step_base[step], limits[step] // pieces)


def _spares_columns(builder: ProgramBuilder, compiled: Compiled, is_open: Flags, priced: Floats) -> Goods:
    """Value of spares, per vendor with thresholds and assortment; stated with one of its offers, any."""
    uses = is_open & ~compiled.vendors.is_rising[compiled.offer_vendor[compiled.use_offer]]
    used = np.unique(compiled.use_offer[uses])
    place = np.stack([compiled.offer_vendor[used], compiled.offer_assortment[used]], axis=1)
    places, first, place_of = np.unique(place, axis=0, return_index=True, return_inverse=True)
    last = compiled.step_start[used + 1] - 1
    spares = compiled.step_most[last] if compiled.allow_spares else compiled.step_least[last] - 1
    most = np.ceil(np.bincount(place_of.ravel(), compiled.offer_highest_price[used] * spares, len(places)))
    columns = builder.columns(len(places), cost=priced[places[:, 0]], upper=most)
    return _value_goods(columns, used[first], most)


def _filler_columns(builder: ProgramBuilder, compiled: Compiled, options: ModelOptions, priced: Floats) -> Goods:
    assert options.fillers is not None
    fillers, vendor = options.fillers, compiled.offer_vendor[options.fillers.offer]
    usable = options.vendors[vendor]
    cost = (priced[vendor] - fillers.credit)[usable] if options.unfilled_limit is not None else 0.0
    most = np.ceil(fillers.most[usable])
    return _value_goods(builder.columns(int(usable.sum()), cost=cost, upper=most), fillers.offer[usable], most)


def _value_goods(columns: Ints, offers: Ints, most: Floats) -> Goods:
    nothing = np.zeros(len(columns), np.int64)
    return Goods(
        columns, offers, nothing - 1, nothing, np.ones(len(columns)), np.zeros(len(columns)), most.astype(np.int64)
    )


def _handling_columns(
    builder: ProgramBuilder, compiled: Compiled, is_open: Flags, vendor: Ints, with_cost: bool
) -> tuple[Ints, Ints]:
    used = np.unique(compiled.offer_assortment[compiled.use_offer[is_open]])
    used = used[used >= 0]
    charge = compiled.handling_charge[used] if with_cost else 0.0
    can_waive = np.array([waived_from is not None for waived_from in compiled.handling_waived_from], np.bool_)
    waivable = used[can_waive[used]] if len(used) else used
    count = len(compiled.handling_charge)
    paid = _placed(count, used, builder.columns(len(used), cost=charge, upper=1.0, integer=True))
    waived = _placed(count, waivable, builder.columns(len(waivable), upper=1.0, integer=True))
    rows = _placed(count, used, builder.rows(len(used), upper=0.0))
    builder.entries(rows[used], paid[used], 1.0)
    builder.entries(rows[waivable], waived[waivable], 1.0)
    builder.entries(rows[used], vendor[compiled.handling_vendor[used]], -1.0)
    return paid, waived
