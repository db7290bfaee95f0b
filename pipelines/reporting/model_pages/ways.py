"""What a model costs by way of buying, and what leads from the listed cost to the cheapest: drawings with tables and headings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from pipelines.money import Interval, cost_interval
from pipelines.reporting.basis.findings import Found, most
from pipelines.reporting.basis.page_data import PageData, Row, is_usable, ranked, saving
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, ends, money
from pipelines.reporting.basis.words import NO_CLEAR_SAVING, listed_words
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.model_pages.sheet_drawings import Cost, Step, cost_dots, waterfall
from pipelines.reporting.sections.costs import complete_cost, saving_ends, surely_cheapest
from pipelines.settings import Buyer
from schemas.published.flexibility import FLEXIBILITY_COST
from schemas.published.plans import PLAN_VENDOR

DOT_WORDS = "Dot: the purchase found. Bar: how much less the cheapest possible one may cost."
HOLLOW_WORDS = "Dashed: not certain to be cheaper or dearer."


@dataclass(frozen=True)
class _Stage:
    """A cost on the way to the cheapest, and what was allowed to get there."""

    label: str
    cost: Decimal
    between: Interval


def ways_drawing(page_data: PageData, plans: Sequence[Row], buyer: Buyer, figures: Table) -> Chart | None:
    """The complete cost of each way on one scale, cheapest first; those that can't be compared are in the table alone."""
    known = _comparable(page_data, plans)
    cheapest = surely_cheapest(known)
    costs = [
        Cost(
            page_data.scenario_title(plan["scenario_code"]),
            float(cost_interval(plan).low),
            float(plan["complete_cost"]),
            money(plan["complete_cost"], buyer.currency_code),
            plan is cheapest,
        )
        for plan in known
    ]
    return cost_dots(f"Complete cost, in {buyer.currency_code}", costs, figures, DOT_WORDS)


def short_ways_table(page_data: PageData, plans: Sequence[Row], against: Row | None, buyer: Buyer) -> Table:
    """A row per plan, cheapest first: complete cost, saving with its range, parcels, and missing pieces where there are any."""
    code, in_order = buyer.currency_code, [*ranked(list(plans)), *(plan for plan in plans if not is_usable(plan))]
    has_missing = any(plan["unfilled_piece_count"] for plan in in_order)
    labels = ["Way of buying", "#Complete cost", "#Saved", "#Between", "#Parcels", *["#Missing pieces"] * has_missing]
    rows = []
    for plan in in_order:
        title, cost = page_data.scenario_title(plan["scenario_code"]), complete_cost(page_data, plan)
        if not is_usable(plan):
            rows.append((title, cost, *[NOTHING] * (len(labels) - 2)))
            continue
        found = None if plan is against else saving(against, plan)
        missing = [count(plan["unfilled_piece_count"])] * has_missing
        saved = NOTHING if found is None else money(found.amount, code) if found.is_clear else NO_CLEAR_SAVING
        rows.append((title, cost, saved, saving_ends(found, code), count(plan["vendor_count"]), *missing))
    cheapest = surely_cheapest(_comparable(page_data, plans))
    strong = frozenset(row for row, plan in enumerate(in_order) if plan is cheapest)
    return Table(f"What it costs today, in {code}", columns(*labels), tuple(rows), strong, is_stacked=True)


def ways_heading(page_data: PageData, plans: Sequence[Row]) -> str:
    """Which way is surely the cheapest, or which can't be distinguished."""
    known = _comparable(page_data, plans)
    named = [(page_data.scenario_title(plan["scenario_code"]), cost_interval(plan)) for plan in known]
    if len(named) < 2:
        return "Ways of buying"
    least = min(cost.high for _, cost in named)
    first = [name for name, cost in named if cost.low <= least]
    if len(first) == 1:
        return f"Cheapest way: {first[0]}"
    return f"{listed_words(first)} can't be distinguished by cost"


def _comparable(page_data: PageData, plans: Sequence[Row]) -> list[Row]:
    usable = ranked([plan for plan in plans if not page_data.cost_is_withheld(plan)])
    return [plan for plan in usable if plan["unfilled_estimate_count"] == usable[0]["unfilled_estimate_count"]]


def steps_drawing(page_data: PageData, listed: Row | None, best: Row | None, buyer: Buyer) -> tuple[Chart, str] | None:
    """From the listed cost to that of the headline plan, and a heading; None where they can't be compared or are one.

    Steps are differences of planned costs, so they add up to the whole. A step's range is that of the difference of the
    cheapest possible purchases at its two ends.
    """
    stages = _stages(page_data, listed, best)
    if len(stages) < 2:
        return None
    code = buyer.currency_code
    found = [
        Found(now.label, before.cost - now.cost, before.between - now.between)
        for before, now in zip(stages, stages[1:], strict=False)
    ]
    steps = [
        Step(
            each.name, -float(each.amount), money(-each.amount, code, signed=True), each.between.direction in (None, 0)
        )
        for each in found
    ]
    first, last = stages[0], stages[-1]
    rows = [(first.label, money(first.cost, code), "", ends(first.between, code))]
    rows += [
        (
            each.name,
            "",
            money(-each.amount, code, signed=True),
            ends(-each.between, code, signed=True),
        )
        for each in found
    ]
    title = page_data.scenario_title(best["scenario_code"]) if best else ""
    rows.append((title, money(last.cost, code), "", ends(last.between, code)))
    figures = Table(
        f"From \u201c{first.label}\u201d to \u201c{title}\u201d, in {code}",
        columns("Step", "#Complete cost", "#Change", "#Between"),
        tuple(tuple(cell or NOTHING for cell in row) for row in rows),
        frozenset({len(rows) - 1}),
        is_stacked=True,
    )
    is_hollow = any(step.is_hollow for step in steps)
    drawing = waterfall(
        f"Steps to \u201c{title}\u201d, in {code}",
        Cost(first.label, float(first.between.low), float(first.cost), money(first.cost, code)),
        steps,
        Cost(title, float(last.between.low), float(last.cost), money(last.cost, code)),
        figures,
        " ".join(each for each in (HOLLOW_WORDS if is_hollow else "", _found_words(listed, best)) if each),
    )
    return drawing, _heading(found)


def _found_words(listed: Row | None, best: Row | None) -> str:
    """That the way buys pieces which the listed cost only estimates."""
    more = 0 if listed is None or best is None else listed["unfilled_piece_count"] - best["unfilled_piece_count"]
    return f"On the way it finds {count(more, 'more piece')}, which the first cost only estimates." if more > 0 else ""


def _heading(found: Sequence[Found]) -> str:
    clear = [each for each in found if each.between.direction == 1]
    if not clear:
        return f"{NO_CLEAR_SAVING.capitalize()} in any step"
    if len(found) == 1:
        return f"What saves: {_lower(found[0].name)}"
    biggest = most(found)
    return f"What saves most: {_lower(biggest.name)}" if biggest else "Where the saving comes from"


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def _stages(page_data: PageData, listed: Row | None, best: Row | None) -> list[_Stage]:
    """The costs from listed to best; fewer where a kind of flexibility was not planned or changes nothing."""
    if listed is None or best is None or best is listed or not (is_usable(listed) and is_usable(best)):
        return []
    if listed["unfilled_estimate_count"] != best["unfilled_estimate_count"] or page_data.cost_is_withheld(listed):
        return []
    stages = [_Stage(page_data.scenario_title("listed"), listed["complete_cost"], cost_interval(listed))]
    flexible = page_data.plan(listed["model_code"], listed["buyer_code"], "flexible")
    fits = (
        flexible is not None
        and is_usable(flexible)
        and flexible["unfilled_estimate_count"] == best["unfilled_estimate_count"]
    )
    if flexible is not None and fits:
        colours = _with_colours(page_data, flexible, stages[0])
        label = "Other colours and forms"
        if colours is not None:
            stages.append(colours)
            label = "Other forms"
        whole = _Stage(label, flexible["complete_cost"], cost_interval(flexible))
        if colours is None or whole.cost != colours.cost:
            stages.append(whole)
        else:
            stages[-1] = _Stage(stages[-1].label, whole.cost, whole.between)
    last = _Stage(_last_label(page_data, best), best["complete_cost"], cost_interval(best))
    if best is not flexible and (last.cost != stages[-1].cost or len(stages) == 1):
        stages.append(last)
    elif best is not flexible:
        stages[-1] = _Stage(stages[-1].label, last.cost, last.between)
    return stages


def _with_colours(page_data: PageData, flexible: Row, listed: _Stage) -> _Stage | None:
    """The cost with other colours alone; its least follows from the most that they may save. None where it was not planned."""
    rows = page_data.rows_of_plan(FLEXIBILITY_COST, flexible).to_dicts()
    row = next((row for row in rows if row["flexibility_allowed"] == "colour"), None)
    if row is None or row["saving_high"] is None or row["unfilled_piece_count"] != flexible["unfilled_piece_count"]:
        return None
    least = min(listed.cost - row["saving_high"], row["complete_cost"])
    return _Stage("Other colours", row["complete_cost"], Interval(least, row["complete_cost"]))


def _last_label(page_data: PageData, best: Row) -> str:
    """What the headline plan has beyond flexibility: the maker's shop, where it buys there, or another mix of vendors."""
    kinds = page_data.rows_of_plan(PLAN_VENDOR, best)["vendor_kind"].to_list()
    return "The maker's shop in the mix" if "maker" in kinds else "Another mix of vendors"
