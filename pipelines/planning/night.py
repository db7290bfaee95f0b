"""A night's plans: every model, buyer and date, on several processes; each plan is made once and kept by what shaped it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import polars as pl

from pipelines.costing.terms_on import SIZES, TermsBook, assumed_size, buyers_rate, terms_on
from pipelines.demand.demand_by_date import demand_of
from pipelines.demand.fitting import parts_in_reach
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.planning import plan_tables
from pipelines.planning.candidates import OFFER_KEY
from pipelines.planning.estimates import young_enough
from pipelines.planning.plan_cache import PlanCache, digest
from pipelines.planning.plan_tables import PLAN_CONTRACTS, Tables
from pipelines.planning.scenarios import PlannedModel, plan_model
from pipelines.resources import digest_of
from pipelines.settings import Buyer, Instructions
from pipelines.workers import spread
from schemas.published.plans import MODEL_COST, PLAN_PURCHASE
from schemas.validate import polars_schema

Progress = Callable[[str, int, int], None]
STEP_NAME = "plan the purchases"
_Prices = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]
_SCHEMAS = {contract.name: polars_schema(contract) for contract in PLAN_CONTRACTS}
_FOR_PEOPLE = ("part_name", "part_family", "colour_family", "reason")
"""Columns no plan looks at. Names of colours and vendors, and why a vendor is closed, do count: unfilled lines say them."""
_WHEN_SEEN = ("valid_to_on", "confirmed_from_on", "last_confirmed_on")
"""Columns of a price period that say when it was seen. A plan looks at none; ``_of_today`` sets the one date it shows."""
MINIMUM_KEPT = 20_000
"""Plans the cache keeps in any case."""


@dataclass(frozen=True)
class Task:
    """One model, buyer and date, with the prices of the parts that the model could use, and no others.

    ``demand_digest`` is the hash of all that shapes the plans of any buyer.
    """

    model_code: str
    buyer: Buyer
    day: date
    effort: str
    scenario_codes: tuple[str, ...]
    with_advice: bool
    market: pl.DataFrame
    last_seen: pl.DataFrame
    summaries: pl.DataFrame
    demand_digest: str


def plan_night(
    inputs: WorkspaceInputs,
    markets: Mapping[date, pl.DataFrame],
    last_seen: Mapping[date, pl.DataFrame],
    summaries: Mapping[date, pl.DataFrame],
    today: date,
    cache_folder: Path,
    progress: Progress | None = None,
) -> Tables:
    """Plan every model for every buyer: all scenarios today, those of ``past_scenarios`` at the latest month ends.

    All are planned with the same effort, so that the points of a series are equally good. Dates before the first price, or before a model's first list version, are skipped. Plans come from the cache where nothing
    that shapes them has changed. Plans that met a safety limit on time are never kept.

    Args:
        inputs: the workspace.
        markets: by date, today's the latest, PRICE_HISTORY columns and ``is_suspect``: what could be bought.
        last_seen: by date, the latest price of every offer.
        summaries: by date, the latest price summaries.
        today: the priced date.
        cache_folder: where plans are kept.
        progress: called with the step's name, plans done and all plans.

    Returns:
        model_cost, plan_vendor, plan_purchase, plan_line and unfilled_line, sorted by key.

    Raises:
        InputError: a model's amendments make no sense, or a row breaks its contract.
        KitfareError: a worker process died.
    """
    cache_of_plans, refresh = PlanCache(cache_folder), inputs.settings.refresh
    days = sorted(markets, reverse=True)
    planned_past = days[1 : 1 + refresh.planned_months_back] if refresh.past_scenarios else []
    needed = [
        (model, buyer, day)
        for day in days
        if last_seen[day].height
        for model in inputs.models
        if model.settings.version_on(day) is not None
        for buyer in inputs.settings.buyer
        if day == today or (buyer.plan_past_months and day in planned_past)
    ]
    done: list[Tables] = []

    def finish(tables: Tables) -> None:
        done.append(tables)
        if progress is not None:
            progress(STEP_NAME, len(done), len(needed))

    missing = _not_cached(_tasks(inputs, needed, markets, last_seen, summaries, today), inputs, cache_of_plans, finish)
    for key, planned in spread(_plan, inputs, missing, min(refresh.workers, len(needed))):
        if not planned.hit_time_limit:
            cache_of_plans.store(key, planned.tables)
        finish(planned.tables)
    # Twice a night: the plans of a night of another date, or of settings tried, do not push each other out.
    cache_of_plans.prune(keep=max(MINIMUM_KEPT, 2 * len(needed)))
    return plan_tables.checked_by_contracts(plan_tables.together(done), "the night's plans")


def _tasks(
    inputs: WorkspaceInputs,
    needed: list[tuple[Model, Buyer, date]],
    markets: Mapping[date, pl.DataFrame],
    last_seen: Mapping[date, pl.DataFrame],
    summaries: Mapping[date, pl.DataFrame],
    today: date,
) -> Iterator[Task]:
    refresh = inputs.settings.refresh
    reduced: tuple[tuple[str, date], tuple[_Prices, str]] | None = None
    for model, buyer, day in needed:
        if reduced is None or reduced[0] != (model.model_code, day):
            given = (markets[day], last_seen[day], summaries[day])
            reduced = ((model.model_code, day), _reduced(inputs, model, day, given))
        prices, demand_digest = reduced[1]
        codes = tuple(scenario.scenario_code for scenario in inputs.settings.scenarios)
        if day != today:
            codes = tuple(code for code in codes if code in refresh.past_scenarios)
        yield Task(model.model_code, buyer, day, refresh.effort, codes, day == today, *prices, demand_digest)


def _reduced(inputs: WorkspaceInputs, model: Model, day: date, given: _Prices) -> tuple[_Prices, str]:
    """Prices of the parts that the model could use, and the hash of these and of all else that shapes any buyer's plans."""
    flexible, listed = (demand_of(inputs).portions(model, day, use_flexibility) for use_flexibility in (True, False))
    parts = parts_in_reach(flexible["listed_part_code"], inputs.tables).to_list()
    market, every_seen, every_known = (frame.filter(pl.col("part_code").is_in(parts)) for frame in given)
    seen, known = young_enough(every_seen, every_known, day)
    settings, tables = model.settings, inputs.tables
    has_stock = any(scenario.use_stock_on_hand for scenario in inputs.settings.scenarios)

    def of_parts(name: str) -> pl.DataFrame:
        found = tables[name].filter(pl.col("part_code").is_in(parts)).drop(_FOR_PEOPLE, strict=False)
        if "valid_from_on" in found.columns:
            found = found.filter(pl.col("valid_from_on") <= day)
        return found.sort(pl.all())

    return (market, seen, known), digest(
        planner_version(),
        (settings.model_code, settings.version_on(day), settings.copy_count),
        (settings.maker_lines, _price_of(settings.instructions, day)),
        flexible,
        listed,
        tables["colours"].drop(_FOR_PEOPLE, strict=False).sort("colour_code"),
        [assumed_size(tables["parts"], name) for name in SIZES],
        *(of_parts(name) for name in ("parts", "substitutes", "combinations")),
        of_parts("stock_on_hand") if has_stock else None,
        *(without_sightings(frame).sort("offer_id", "step_from_quantity") for frame in (market, seen)),
        known.drop("observed_on").sort("source_code", "part_code", "colour_code", "condition"),
    )


def without_sightings(offers: pl.DataFrame) -> pl.DataFrame:
    """Price periods without the dates on which they were seen, as they shape plans."""
    return offers.drop(_WHEN_SEEN, strict=False)


def _price_of(instructions: Instructions | None, day: date) -> tuple[object, ...]:
    """What a plan's cost of instructions is made of: price, currency and the discounts of the day, without their reasons."""
    if instructions is None:
        return ()
    discounts = [each.pct for each in instructions.discounts if each.from_on <= day <= each.to_on]
    return instructions.price, instructions.currency_code, discounts


def _not_cached(
    tasks: Iterator[Task], inputs: WorkspaceInputs, kept: PlanCache, finish: Callable[[Tables], None]
) -> Iterator[tuple[str, Task]]:
    """The tasks that are not in the cache, with their keys; the others are finished from it on the way."""
    books: dict[tuple[date, str], TermsBook] = {}
    for task in tasks:
        where = (task.day, task.buyer.buyer_code)
        if where not in books:
            books[where] = terms_on(inputs, task.day, task.buyer)
        key = key_of(task, inputs, books[where])
        frames = kept.fetch(key, _SCHEMAS)
        if frames is None:
            yield key, task
        else:
            finish(_of_today(frames, task, inputs.model(task.model_code)))


def _of_today(tables: Tables, task: Task, model: Model) -> Tables:
    """Kept tables with what no key has in it: the task's date, the model's title, and when the offers bought were seen."""
    dated = {name: frame.with_columns(pl.lit(task.day).alias("priced_on")) for name, frame in tables.items()}
    confirmed = task.market.group_by(OFFER_KEY).agg(pl.col("last_confirmed_on").min())
    bought = dated[PLAN_PURCHASE.name].join(confirmed, on=OFFER_KEY, how="left", nulls_equal=True)
    oldest = bought.group_by("scenario_code").agg(pl.col("last_confirmed_on").min().alias("oldest_offer_on"))
    costs = dated[MODEL_COST.name]
    found = costs.drop("oldest_offer_on").join(oldest, on="scenario_code", how="left", maintain_order="left")
    title = pl.lit(model.settings.title).alias("model_title")
    return {**dated, MODEL_COST.name: found.with_columns(title).select(costs.columns)}


def key_of(task: Task, inputs: WorkspaceInputs, book: TermsBook) -> str:
    """The hash of everything that shapes a task's plans: what its date implies, and not the date itself."""
    scenarios = inputs.settings.scenarios
    sellers = sorted(set(task.market["vendor_code"]))
    currencies = {*task.last_seen["currency_code"], *task.summaries["currency_code"]}
    if (instructions := inputs.model(task.model_code).settings.instructions) is not None:
        currencies.add(instructions.currency_code)
    return digest(
        task.demand_digest,
        (task.effort, task.with_advice),
        [
            scenario.model_dump(exclude={"title"})
            for scenario in scenarios
            if scenario.scenario_code in task.scenario_codes
        ],
        task.buyer.model_dump(exclude={"title", "plan_past_months"}),
        [book.vendors.get(code) or book.why_left_out(code) for code in sellers],
        [(code, buyers_rate(inputs, code, task.day, task.buyer)) for code in sorted(currencies)],
        inputs.tables["vendors"].filter(pl.col("vendor_code").is_in(sellers)).sort("vendor_code"),
    )


@cache
def planner_version() -> str:
    """What identifies the software that makes plans: its own source text, its libraries and Python."""
    return digest_of(planner_sources(), ("coloraide", "highspy", "iso4217", "numpy", "polars"))


PLANNING_ROOMS = ("costing", "demand", "planner", "planning")
"""Rooms whose code shapes a plan."""


def planner_sources() -> list[Path]:
    """The source files that a plan goes through."""
    pipelines = Path(__file__).resolve().parent.parent
    rooms = [*(pipelines / room for room in PLANNING_ROOMS), pipelines.parent / "schemas"]
    return sorted([*pipelines.glob("*.py"), *(path for room in rooms for path in room.rglob("*.py"))])


def _plan(inputs: WorkspaceInputs, task: Task) -> PlannedModel:
    return plan_model(
        inputs,
        inputs.model(task.model_code),
        task.day,
        task.buyer,
        task.market,
        task.last_seen,
        task.summaries,
        task.effort,
        task.with_advice,
        task.scenario_codes,
    )
