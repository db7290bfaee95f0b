"""The main points of a month: one sentence each, largest first, from intervals to words.

Every size is in per cent of what it is about, so that prices, costs and missing pieces can be put in one order. Nothing is stated
that does not hold for every value within the intervals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from statistics import median

from pipelines.money import Interval, round_half_up
from pipelines.reporting.basis.page_tables import count, money, month_name, percent
from pipelines.reporting.basis.words import between_words, listed_words, with_range

FEWEST, MOST = 3, 5
"""How many points a report has: fewer only where there is less to say."""
MOST_NAMED = 3
"""A group of more models than this is counted, not named."""


@dataclass(frozen=True)
class MainPoint:
    """One sentence, and the per cent that it is about; 0 where nothing is clear."""

    size: Decimal
    words: str


@dataclass(frozen=True)
class PriceMove:
    """Between which per cent a model's prices changed in a month."""

    title: str
    between: Interval


@dataclass(frozen=True)
class CostMove:
    """Between which ends a model's complete cost was a month before and is now, and by how much the plans' costs differ."""

    title: str
    before: Interval
    now: Interval
    amount: Decimal

    @property
    def between(self) -> Interval:
        """Between which ends the cost changed."""
        return self.now - self.before

    @property
    def share_pct(self) -> Decimal:
        """The change of the plans' costs in per cent of the cost before."""
        return self.amount / self.before.high * 100 if self.before.high else Decimal(0)

    @property
    def shares(self) -> Interval:
        """Between which per cent the cost changed; the cost before must be above 0."""
        return Interval(self.now.low / self.before.high * 100 - 100, self.now.high / self.before.low * 100 - 100)


@dataclass(frozen=True)
class CauseMove:
    """What one cause did to the costs of all models together, and to what sum of costs."""

    words: str
    between: Interval
    before: Decimal


@dataclass(frozen=True)
class Shortage:
    """Pieces of a model that can't be bought, and how many of its elements may run out."""

    title: str
    missing_pieces: int
    pieces: int
    running_out: int = 0
    elements: int = 0


def main_points(
    prices: Sequence[PriceMove],
    costs: Sequence[CostMove],
    causes: Sequence[CauseMove],
    shortages: Sequence[Shortage],
    month: str,
    currency_code: str,
    horizon_months: int,
) -> list[str]:
    """Three to five sentences, in order of size; those that find nothing clear come last and only fill up to three."""
    points = [
        *prices_together(prices, month),
        *prices_apart(prices),
        *costs_together(costs),
        *largest_cost(costs, currency_code),
        *causes_together(causes, currency_code),
        *missing(shortages),
        *running_out(shortages, horizon_months),
    ]
    points.sort(key=lambda point: -point.size)
    clear = sum(point.size > 0 for point in points)
    return [point.words for point in points[: min(MOST, max(FEWEST, clear))]]


def prices_together(prices: Sequence[PriceMove], month: str) -> list[MainPoint]:
    """How far the prices of the models moved: the median over models, whose ends are the medians of the ends."""
    if not prices:
        return []
    middle = Interval(median(move.between.low for move in prices), median(move.between.high for move in prices))
    rose, fell = (sum(_direction(move.between) == sign for move in prices) for sign in (1, -1))
    many = max(rose, fell)
    of_all = f"for {_all(many)}" if many == len(prices) else f"for {many} of {count(len(prices), 'model')}"
    sign = _direction(middle)
    if not sign:
        clear = f"; they rose for {rose} and fell for {fell} of {count(len(prices), 'model')}" if rose or fell else ""
        return [MainPoint(Decimal(0), f"Prices in {month_name(month)}: no clear change{clear}.")]
    if len(prices) == 1:
        return [MainPoint(_size(middle), f"Prices {_moved(sign)} {_far(middle)} in {month_name(month)}.")]
    return [
        MainPoint(_size(middle), f"Prices {_moved(sign)} {of_all} in {month_name(month)}, by {_far(middle)} (median).")
    ]


def prices_apart(prices: Sequence[PriceMove]) -> list[MainPoint]:
    """Whose prices moved furthest up or down; several models where any of them may be first, none where too many may."""
    found = []
    for sign, words in ((1, "rose"), (-1, "fell")):
        moved = [move for move in prices if _direction(move.between) == sign]
        if len(moved) < 2:
            continue
        surely = max(_size(move.between) for move in moved)
        first = [move for move in moved if _most(move.between) >= surely]
        if len(first) > MOST_NAMED or len(first) == len(moved):
            continue
        far = Interval(min(move.between.low for move in first), max(move.between.high for move in first))
        found.append(MainPoint(_size(far), f"Prices {words} most for {_named(first)}: {_far(far)}."))
    return found


def costs_together(costs: Sequence[CostMove]) -> list[MainPoint]:
    """How many models surely cost more or less than a month before; the size is the median change of those."""
    if not costs:
        return []
    dearer, cheaper = ([move for move in costs if move.between.direction == sign] for sign in (1, -1))
    unclear = len(costs) - len(dearer) - len(cheaper)
    if not dearer and not cheaper:
        return [MainPoint(Decimal(0), f"Complete cost: no clear change for any of {count(len(costs), 'model')}.")]
    size = max(
        median(abs(move.share_pct) for move in moved) * len(moved) / len(costs) for moved in (dearer, cheaper) if moved
    )
    if len(costs) > 1 and len(costs) in (len(dearer), len(cheaper)):
        return [
            MainPoint(size, f"{_all(len(costs)).capitalize()} cost {'more' if dearer else 'less'} than a month before.")
        ]
    parts = [
        f"{count(len(moved), 'model')} {'costs' if len(moved) == 1 else 'cost'} {words}"
        for moved, words in ((dearer, "more"), (cheaper, "less"))
        if moved
    ]
    rest = f"; for {unclear} no change is clear" if unclear else ""
    return [MainPoint(size, f"{' and '.join(parts)} than a month before{rest}.")]


def largest_cost(costs: Sequence[CostMove], currency_code: str) -> list[MainPoint]:
    """The model whose complete cost moved most in per cent, where all others surely moved less."""
    clear = [move for move in costs if move.between.direction in (1, -1) and move.before.low > 0]
    if len(costs) < 2 or not clear:
        return []
    first = max(clear, key=lambda move: _size(move.shares))
    others = [move for move in costs if move is not first]
    if any(other.before.low <= 0 or _most(other.shares) >= _size(first.shares) for other in others):
        return []
    ends = sorted((abs(first.between.low), abs(first.between.high)))
    verb = _moved(first.between.direction or 0)
    amount = with_range(
        f"{money(abs(first.amount), currency_code)} {currency_code}",
        between_words(*(money(end, currency_code) for end in ends)),
    )
    return [
        MainPoint(abs(first.share_pct), f"The cost of {first.title} {verb} most, by {_far(first.shares)}: {amount}.")
    ]


def causes_together(causes: Sequence[CauseMove], currency_code: str) -> list[MainPoint]:
    """The cause that surely moved the models' costs more than any other."""
    clear = [cause for cause in causes if cause.between.direction in (1, -1) and cause.before]
    if not clear:
        return []
    first = max(clear, key=lambda cause: _size(cause.between))
    least = _size(first.between)
    if any(_most(other.between) >= least for other in causes if other is not first):
        return []
    ends = sorted((abs(first.between.low), abs(first.between.high)))
    verb = "added" if first.between.direction == 1 else "took off"
    low, high = (money(end, currency_code) for end in ends)
    amount = low if low == high else f"{low} to {high}"
    size = least / first.before * 100
    return [MainPoint(size, f"{first.words} moved costs most: {verb} {amount} {currency_code} over all models.")]


def missing(shortages: Sequence[Shortage]) -> list[MainPoint]:
    """How many models can't be bought whole, and the share of their pieces that is missing."""
    short = [each for each in shortages if each.missing_pieces]
    if not short:
        return []
    pieces = sum(each.pieces for each in short)
    lacking = sum(each.missing_pieces for each in short)
    verb = "lacks" if len(short) == 1 else "lack"
    who = _named(short) if len(short) <= MOST_NAMED else f"{len(short)} of {count(len(shortages), 'model')}"
    size = Decimal(lacking) / pieces * 100 if pieces else Decimal(0)
    return [
        MainPoint(
            size,
            f"{who} can't be bought whole: {'it' if len(short) == 1 else 'they'} {verb} {count(lacking, 'piece')}.",
        )
    ]


def running_out(shortages: Sequence[Shortage], horizon_months: int) -> list[MainPoint]:
    """How many elements on offer may run out by last year's trend."""
    short = [each for each in shortages if each.running_out]
    if not short:
        return []
    going, elements = sum(each.running_out for each in short), sum(each.elements for each in shortages)
    who = _named(short) if len(short) <= MOST_NAMED else count(len(short), "model")
    size = Decimal(going) / elements * 100 if elements else Decimal(0)
    return [MainPoint(size, f"{count(going, 'element')} of {who} may run out within {count(horizon_months, 'month')}.")]


def _direction(between: Interval) -> int:
    """Up or down as far as the ends show it at one decimal; 0 where that is not known or nothing is shown."""
    low, high = (round_half_up(end, 1) for end in (between.low, between.high))
    return 1 if low > 0 else -1 if high < 0 else 0


def _all(models: int) -> str:
    return "both models" if models == 2 else f"all {models} models"


def _moved(sign: int) -> str:
    return "rose" if sign > 0 else "fell"


def _size(between: Interval) -> Decimal:
    """The least it may be, up or down, where its direction is known."""
    return min(abs(between.low), abs(between.high))


def _most(between: Interval) -> Decimal:
    return max(abs(between.low), abs(between.high))


def _far(between: Interval) -> str:
    """``1.2 %`` or ``1.2 to 1.4 %``, without a sign."""
    low, high = (percent(end) for end in sorted((abs(between.low), abs(between.high))))
    return low if low == high else f"{low.removesuffix(' %')} to {high}"


def _named(moves: Sequence[PriceMove] | Sequence[Shortage]) -> str:
    return listed_words(sorted(move.title for move in moves))
