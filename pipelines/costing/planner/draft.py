"""The columns of a plan while its program is being written: vendors, uses, purchases, and what opens an offer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.costing.planner.compiled import Compiled, Flags, Floats, Ints
from pipelines.costing.planner.linear import ProgramBuilder
from pipelines.costing.planner.quantities import step_limits


@dataclass(frozen=True)
class Relaxation:
    """A cheaper stand-in for uses left out: any number of pieces of a cell at ``price``.

    A cell is a portion, or a portion in one colour when its group must agree on one.
    """

    cell_portion: Ints
    cell_colour: Ints
    price: Floats


@dataclass(frozen=True)
class ModelOptions:
    """Which part of the problem to state, and how.

    Attributes:
        vendors, uses: vendors and uses that may be part of the plan.
        must_use: they must all be used.
        whole: pieces are whole where whole numbers don't come by themselves.
        unfilled_limit: most pieces left unfilled; None when their number is what is minimised.
        penalty: cost of an unfilled piece.
        relaxation: stands in for uses left out.
        loose_offers: offers without linking rows of their own; their vendor's goods row links them.
    """

    vendors: Flags
    uses: Flags
    must_use: bool = False
    whole: bool = True
    unfilled_limit: int | None = 0
    penalty: float = 0.0
    relaxation: Relaxation | None = None
    loose_offers: Flags | None = None


@dataclass(frozen=True)
class Goods:
    """Every column that counts pieces bought.

    Attributes:
        column, offer: the column and its offer.
        step: its price step; -1 where pieces bought are pieces used.
        pieces: pieces per unit of the column.
        price: price per unit, in the vendor's currency.
        most: most units.
    """

    column: Ints
    offer: Ints
    step: Ints
    pieces: Ints
    price: Floats
    most: Ints


@dataclass
class Draft:
    """Columns by what they stand for; -1 for what has none.

    Attributes:
        vendor: binaries by vendor.
        use: pieces by use.
        handling_paid, handling_waived: binaries by handling charge; one of them is 1 if the assortment is used.
        factor: buyer's cost of one unit of goods by vendor; NaN where it differs between bands.
    """

    builder: ProgramBuilder
    compiled: Compiled
    options: ModelOptions
    vendor: Ints
    use: Ints
    goods: Goods
    factor: Floats
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
    # Rows over goods values or weights leave fractions in the corners of a flow.
    with_cost = options.unfilled_limit is not None
    priced = np.nan_to_num(factor) if with_cost else np.zeros(len(vendors))
    used_vendors = np.unique(compiled.offer_vendor[compiled.use_offer[is_open]])
    vendor = _placed(len(vendors), used_vendors, _vendor_columns(builder, compiled, options, used_vendors))
    breaks_flow = ~vendors.is_plain | np.array([bool(terms.weight_steps) for terms in vendors.bands], np.bool_)
    use, used_goods = _use_columns(builder, compiled, np.flatnonzero(is_open), priced, breaks_flow & options.whole)
    bought_goods = _step_columns(builder, compiled, is_open, priced, breaks_flow, options.whole)
    goods = Goods(
        **{
            name: np.concatenate([getattr(used_goods, name), getattr(bought_goods, name)])
            for name in Goods.__dataclass_fields__
        }
    )
    paid, waived = _handling_columns(builder, compiled, is_open, vendor, with_cost)
    return Draft(builder, compiled, options, vendor, use, goods, factor, paid, waived)


def _uniform_factor(factors: list[float]) -> float:
    return factors[0] if len(set(factors)) == 1 else np.nan


def _placed(count: int, where: Ints, columns: Ints) -> Ints:
    placed = np.full(count, -1, np.int64)
    placed[where] = columns
    return placed


def _vendor_columns(builder: ProgramBuilder, compiled: Compiled, options: ModelOptions, used: Ints) -> Ints:
    fixed = np.array([float(terms.bands[0].fixed) if terms.is_one_band else 0.0 for terms in compiled.vendors.bands])
    cost = fixed[used] if options.unfilled_limit is not None else 0.0
    return builder.columns(len(used), cost=cost, lower=float(options.must_use), upper=1.0, integer=not options.must_use)


def _use_columns(
    builder: ProgramBuilder, compiled: Compiled, used: Ints, priced: Floats, whole: Flags
) -> tuple[Ints, Goods]:
    """Pieces used. Where they are the pieces bought, they carry the cost."""
    offer = compiled.use_offer[used]
    vendor = compiled.offer_vendor[offer]
    bought = ~compiled.is_counted[offer]
    price = np.where(bought, compiled.offer_price[offer], 0.0)
    most = np.minimum(compiled.use_want[used], compiled.offer_most[offer])
    columns = builder.columns(len(used), cost=price * priced[vendor], upper=most, integer=bought & whole[vendor])
    ones = np.ones(int(bought.sum()), np.int64)
    goods = Goods(columns[bought], offer[bought], -ones, ones, price[bought], most[bought])
    return _placed(len(compiled.use_offer), used, columns), goods


def _step_columns(
    builder: ProgramBuilder, compiled: Compiled, is_open: Flags, priced: Floats, breaks_flow: Flags, whole: bool
) -> Goods:
    """Multiples bought per price step, for offers of which more may be bought than is used."""
    wanted = np.zeros(len(compiled.offer_row), np.bool_)
    wanted[compiled.use_offer[is_open]] = True
    limits = step_limits(compiled)
    step = np.flatnonzero((compiled.is_counted & wanted)[compiled.step_offer] & (limits > 0))
    offer = compiled.step_offer[step]
    vendor, pieces = compiled.offer_vendor[offer], compiled.offer_multiple[offer]
    price = compiled.step_price[step] * pieces
    columns = builder.columns(
        len(step),
        cost=price * priced[vendor],
        upper=limits[step] // pieces,
        integer=((pieces > 1) | breaks_flow[vendor]) & whole,
    )
    return Goods(columns, offer, step, pieces, price, limits[step] // pieces)


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
