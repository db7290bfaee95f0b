"""Who moved and why: the change of every model's complete cost since the month before, split by cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from pipelines.money import Interval, cost_interval, exactly
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, is_usable
from pipelines.reporting.basis.page_tables import NOTHING, Table, change, columns, ends
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.stacked import Segment, Stack, stacked_chart
from pipelines.reporting.month.main_points import CauseMove, CostMove
from pipelines.settings import Buyer
from schemas.published.over_time import COST_CHANGE

CAUSES = {
    "Prices and rates": ("prices", "exchange_rates"),
    "Terms": ("terms",),
    "List": ("list",),
    "Decisions": ("decisions",),
    "Choice of plan": ("choice", "estimates"),
}
"""What stands in one bar, in its order: parts of cost_change by the words that readers see."""
MOST_BARS = 15
"""Models drawn, those that changed most; the table has all."""
NONE = exactly(Decimal(0))


@dataclass(frozen=True)
class Moved:
    """A model's change since the month before: as a whole, and by cause (words of CAUSES).

    ``is_same``: the parts list and our own decisions did not change, so both costs are of the same thing.
    """

    model: ReportedModel
    cost: CostMove
    causes: dict[str, tuple[Decimal, Interval]]
    is_same: bool


def moved_models(page_data: PageData, plans: Sequence[tuple[ReportedModel, Row | None]]) -> list[Moved]:
    """The models whose two costs can be compared, those that changed most in per cent first."""
    found = [
        moved for model, plan in plans if plan is not None and (moved := _moved(page_data, model, plan)) is not None
    ]
    return sorted(found, key=lambda moved: (-abs(moved.cost.share_pct), moved.model.title, moved.model.code))


def _moved(page_data: PageData, model: ReportedModel, plan: Row) -> Moved | None:
    key = {name: plan[name] for name in ("model_code", "scenario_code", "buyer_code", "priced_on")}
    steps = page_data.rows(COST_CHANGE, **key)
    if not steps:
        return None
    before = page_data.plan(plan["model_code"], plan["buyer_code"], plan["scenario_code"], steps[0]["compared_on"])
    if before is None or not all(is_usable(each) and not page_data.cost_is_withheld(each) for each in (before, plan)):
        return None
    if before["unfilled_estimate_count"] != plan["unfilled_estimate_count"]:
        return None
    by_part = {row["change_part"]: row for row in steps}
    causes = {
        words: (
            sum((by_part[part]["cost_change"] for part in parts if part in by_part), Decimal(0)),
            sum(
                (
                    Interval(row["cost_change_low"], row["cost_change_high"])
                    for part in parts
                    if (row := by_part.get(part))
                ),
                NONE,
            ),
        )
        for words, parts in CAUSES.items()
    }
    is_same = not any(row["is_break"] for row in steps)
    amount = plan["complete_cost"] - before["complete_cost"]
    return Moved(model, CostMove(model.title, cost_interval(before), cost_interval(plan), amount), causes, is_same)


def causes_together(moved: Sequence[Moved]) -> list[CauseMove]:
    """What each cause did to all models together."""
    before = sum((each.cost.before.high for each in moved), Decimal(0))
    return [
        CauseMove(words, sum((each.causes[words][1] for each in moved), NONE), before)
        for words in CAUSES
        if any(each.causes[words][1] != NONE for each in moved)
    ]


def causes_chart(moved: Sequence[Moved], buyer: Buyer) -> Chart | None:
    """Stacked bars, a model each; parts whose sign is not known are hollow."""
    code = buyer.currency_code
    stacks = [
        Stack(
            each.model.title,
            tuple(
                Segment(place, float(amount), is_hollow=between.direction is None)
                for place, (amount, between) in enumerate(each.causes.values())
            ),
            change(each.cost.amount, each.cost.between, code),
        )
        for each in moved[:MOST_BARS]
    ]
    title = f"What changed the complete cost since the month before, {code}"
    return stacked_chart(title, "Model", tuple(CAUSES), stacks, "its sign is not certain", causes_table(moved, buyer))


def causes_table(moved: Sequence[Moved], buyer: Buyer) -> Table:
    """Every model's change by cause, each with its range; those of zero are left out."""
    code = buyer.currency_code
    used = [words for words in CAUSES if any(each.causes[words] != (Decimal(0), NONE) for each in moved)]

    def cell(amount: Decimal, between: Interval) -> str:
        if (amount, between) == (Decimal(0), NONE):
            return NOTHING
        shown, within = change(amount, between, code), ends(between, code, signed=True)
        return shown if shown == within else f"{shown} ({within})"

    rows = tuple(
        (
            each.model.title + ("" if each.is_same else " [n]"),
            *(cell(*each.causes[words]) for words in used),
            cell(each.cost.amount, each.cost.between),
        )
        for each in moved
    )
    caption = f"Who moved and why: complete cost against the month before, in {code}"
    return Table(caption, columns("Model", *(f"#{words}" for words in used), "#Together"), rows, is_stacked=True)
