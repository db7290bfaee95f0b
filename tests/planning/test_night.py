import pickle
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.costing.terms_on import terms_on
from pipelines.errors import InputError, KitfareError, PlanRefusedError
from pipelines.inputs import Model
from pipelines.planner import solve
from pipelines.planning import night, plan_tables
from pipelines.planning.night import plan_night
from pipelines.planning.plan_tables import PLAN_CONTRACTS
from pipelines.settings import Buyer, Scenario
from pipelines.settings_refresh import RefreshSettings
from tests.builders.markets import (
    BUYER,
    DAY,
    flexibility,
    line,
    make_inputs,
    make_market,
    make_model,
    make_summaries,
    offer,
    terms,
    vendor,
)

OCTOBER, MARCH = date(2026, 10, 31), date(2026, 3, 31)
ABROAD = Buyer(buyer_code="abroad", title="x", region_code="PL", currency_code="EUR")
MARKET = make_market(
    offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("b", "tile", "red", "0.30"),
    offer("b", "unused", "red", "0.30"),
)  # fmt: skip
HOUSE = make_model(
    [line(1, "tile", "red", 3)], model_code="house", versions=[{"list_version": 1, "released_on": date(2026, 6, 1)}]
)
MILL = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")])
RED = {"colour_code": "red", "colour_name": "Red", "srgb_hex": "#C01010"}
COMBINATION = {"part_code": "brick", "combination_code": "m", "component_part_code": "tile", "component_count": 2}


def at(day: Any, market: Any = MARKET) -> Any:
    seen_on = pl.lit(day).alias("last_confirmed_on")
    return market.with_columns(seen_on, pl.lit(date(2026, 1, 1)).alias("valid_from_on"))


def workspace(
    workers: int = 1,
    models: tuple[Any, ...] = (MILL, HOUSE),
    buyers: tuple[Any, ...] = (BUYER, ABROAD),
    scenarios: Sequence[Any] = (),
    **tables: Any,
) -> Any:
    inputs = make_inputs(models, buyers, scenarios, **tables)
    refresh = RefreshSettings(workers=workers, effort="standard")
    return replace(inputs, settings=inputs.settings.model_copy(update={"refresh": refresh}))


def night_of(
    folder: Any,
    inputs: Any = None,
    days: tuple[Any, ...] = (DAY, OCTOBER, MARCH),
    progress: Any = None,
    market: Any = MARKET,
) -> Any:
    markets = {day: at(day, market) for day in days}
    summaries = dict.fromkeys(days, make_summaries())
    return plan_night(inputs or workspace(), markets, markets, summaries, DAY, folder / "plans", progress)


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Counts the problems that were really solved."""
    real, calls = solve.solve, []

    def counted(problem: Any, effort: Any, start: Any = None) -> Any:
        calls.append(effort)
        return real(problem, effort, start)

    monkeypatch.setattr(solve, "solve", counted)
    return calls


def same(first: Any, second: Any) -> Any:
    return all(first[name].equals(second[name]) for name in second) and list(first) == list(second)


def test_as_many_month_ends_and_scenarios_are_planned_as_the_settings_say(tmp_path: Path) -> None:
    inputs = workspace()
    refresh = inputs.settings.refresh.model_copy(update={"planned_months_back": 1, "past_scenarios": ["flexible"]})
    fewer = replace(inputs, settings=inputs.settings.model_copy(update={"refresh": refresh}))
    costs = night_of(tmp_path, fewer)["model_cost"]
    assert set(costs["priced_on"]) == {DAY, OCTOBER}
    assert set(costs.filter(pl.col("priced_on") == OCTOBER)["scenario_code"]) == {"flexible"}
    none = refresh.model_copy(update={"past_scenarios": []})
    fewer = replace(inputs, settings=inputs.settings.model_copy(update={"refresh": none}))
    assert set(night_of(tmp_path, fewer)["model_cost"]["priced_on"]) == {DAY}


def test_every_model_buyer_and_date_is_planned_once_its_list_exists(tmp_path: Path) -> None:
    reported = []
    tables = night_of(tmp_path, progress=lambda *step: reported.append(step))
    keys = tables["model_cost"].select("priced_on", "model_code", "buyer_code").unique().sort(pl.all()).rows()
    assert keys == [
        (MARCH, "mill", "abroad"), (MARCH, "mill", "home"),
        (OCTOBER, "house", "abroad"), (OCTOBER, "house", "home"),
        (OCTOBER, "mill", "abroad"), (OCTOBER, "mill", "home"),
        (DAY, "house", "abroad"), (DAY, "house", "home"),
        (DAY, "mill", "abroad"), (DAY, "mill", "home"),
    ]  # fmt: skip
    assert set(tables["model_cost"]["effort"]) == {"standard"}
    today = pl.col("priced_on") == DAY
    assert set(tables["model_cost"].filter(~today)["scenario_code"]) == {"listed", "cheapest"}
    assert tables["model_cost"].height == 4 * 5 + 6 * 2
    assert reported == [(night.STEP_NAME, n, 10) for n in range(1, 11)]
    for name, frame in tables.items():
        key = next(contract.key for contract in PLAN_CONTRACTS if contract.name == name)
        assert frame.equals(frame.sort(key)), name


def test_dates_before_the_first_price_are_skipped(tmp_path: Path) -> None:
    markets = {DAY: at(DAY), MARCH: MARKET.clear()}
    tables = plan_night(workspace(), markets, markets, dict.fromkeys(markets, make_summaries()), DAY, tmp_path)
    assert tables["model_cost"]["priced_on"].unique().to_list() == [DAY]
    nothing = {DAY: MARKET.clear()}
    assert plan_night(workspace(), nothing, nothing, {DAY: make_summaries()}, DAY, tmp_path)["model_cost"].height == 0


def test_the_second_night_takes_all_from_the_cache(tmp_path: Path, solved: Any) -> None:
    first = night_of(tmp_path)
    made = len(solved)
    assert made > 0
    assert same(night_of(tmp_path), first)
    assert len(solved) == made


def test_a_damaged_entry_is_planned_again(tmp_path: Path, solved: Any) -> None:
    first = night_of(tmp_path, days=(DAY,))
    entries = sorted((tmp_path / "plans").iterdir())
    assert len(entries) == 4
    entries[0].write_bytes(entries[0].read_bytes()[:-9])
    solved.clear()
    assert same(night_of(tmp_path, days=(DAY,)), first)
    assert solved
    solved.clear()
    night_of(tmp_path, days=(DAY,))
    assert not solved


CHANGES: dict[str, dict[str, Any]] = {
    "price": {"market": MARKET.with_columns(pl.col("unit_price") + Decimal("0.01"))},
    "stock": {"market": MARKET.with_columns(pl.col("quantity_available") - 1)},
    "suspect": {"market": MARKET.with_columns((pl.col("colour_code") == "blue").alias("is_suspect"))},
    "terms": {"vendor_terms": [terms("a", shipping_charge="1"), terms("b"), terms("c")]},
    "closed": {"vendor_closures": [{"vendor_code": "a", "closed_from_on": DAY}]},
    "kind": {"vendors": [vendor("a", vendor_kind="maker"), vendor("b"), vendor("c")]},
    "list": {"models": (make_model([line(1, "brick", "red", 5)], [flexibility(1, "any")]),)},
    "flexibility": {
        "models": (make_model([line(1, "brick", "red", 4)], [flexibility(1, "one_of", accept_colour_codes="blue")]),)
    },
    "copies": {"models": (make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")], copy_count=2),)},
    "substitutes": {"substitutes": [{"part_code": "brick", "substitute_part_code": "tile"}]},
    "buyer": {"buyers": (BUYER.model_copy(update={"exchange_margin_pct": Decimal(1)}),)},
    "scenario": {"scenarios": (Scenario(scenario_code="flexible", title="x", maximum_vendor_count=1),)},
    "weight": {"parts": [{"part_code": "brick", "part_name": "x", "weight_grams": "2"}]},
    "palette": {
        "colours": [{"colour_code": "red", "colour_name": "Red", "srgb_hex": "#C01010", "colour_family": "reds"}]
    },
}


def keys_of(**changes: Any) -> Any:
    market = changes.pop("market", MARKET)
    inputs = workspace(**{"models": (MILL,), "buyers": (BUYER,), **changes})
    markets = {DAY: at(DAY, market)}
    needed = [(inputs.models[0], inputs.settings.buyer[0], DAY)]
    tasks = night._tasks(inputs, needed, markets, markets, {DAY: make_summaries()}, DAY)
    return [night.key_of(task, inputs, terms_on(inputs, DAY, task.buyer)) for task in tasks]


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_shapes_a_plan_changes_its_key(change: Any) -> None:
    assert keys_of(**CHANGES[change]) != keys_of()


def test_what_shapes_no_plan_leaves_its_key() -> None:
    irrelevant = {
        "market": pl.concat([MARKET, make_market(offer("c", "unused", "grey", "1"))]).reverse(),
        "substitutes": [{"part_code": "unused", "substitute_part_code": "tile"}],
        "vendor_terms": [terms("c", shipping_charge="99"), terms("b"), terms("a")],
        "stock_on_hand": [{"part_code": "brick", "colour_code": "red", "quantity_on_hand": 9}],
        "vendor_closures": [
            {"vendor_code": "a", "closed_from_on": "2026-11-01", "opens_again_on": DAY},
            {"vendor_code": "c", "closed_from_on": DAY},
        ],
    }
    assert keys_of(**irrelevant) == keys_of()
    later = make_model(
        [line(1, "brick", "red", 4)],
        [flexibility(1, "any"), flexibility(1, "near", decided_on="2027-01-01")],
        publish_lines="all",
    )
    assert keys_of(models=(later,)) == keys_of()


INSTRUCTIONS: dict[str, Any] = {
    "price": Decimal(20),
    "currency_code": "EUR",
    "discounts": [{"pct": Decimal(10), "from_on": DAY, "to_on": DAY, "reason": "autumn"}],
}
FOR_PEOPLE: dict[str, dict[str, Any]] = {
    "model title": {
        "models": (make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")], title="y", designer="y"),)
    },
    "reason of a flexibility": {
        "models": (make_model([line(1, "brick", "red", 4)], [flexibility(1, "any", reason="y")]),)
    },
    "scenario title": {"scenarios": (Scenario(scenario_code="flexible", title="y"),)},
    "buyer title": {"buyers": (BUYER.model_copy(update={"title": "y", "plan_past_months": False}),)},
    "part name": {"parts": [{"part_code": "brick", "part_name": "y", "part_family": "y", "weight_grams": "2"}]},
    "substitutes reason": {"substitutes": [{"part_code": "brick", "substitute_part_code": "tile", "reason": "y"}]},
    "combination reason": {"combinations": [{**COMBINATION, "reason": "y"}]},
    "colour family": {"colours": [{**RED, "colour_family": "y"}]},
}
BEFORE: dict[str, dict[str, Any]] = {
    "scenario title": {"scenarios": (Scenario(scenario_code="flexible", title="x"),)},
    "part name": {"parts": [{"part_code": "brick", "part_name": "x", "part_family": "x", "weight_grams": "2"}]},
    "substitutes reason": {"substitutes": [{"part_code": "brick", "substitute_part_code": "tile", "reason": "x"}]},
    "combination reason": {"combinations": [{**COMBINATION, "reason": "x"}]},
    "colour family": {"colours": [{**RED, "colour_family": "x"}]},
}


@pytest.mark.parametrize("words", FOR_PEOPLE)
def test_words_for_people_leave_the_key(words: str) -> None:
    assert keys_of(**FOR_PEOPLE[words]) == keys_of(**BEFORE.get(words, {}))


def with_instructions(**changes: Any) -> tuple[Model, ...]:
    return (
        make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")], instructions={**INSTRUCTIONS, **changes}),
    )


def test_of_instructions_only_what_they_cost_on_the_day_is_in_the_key() -> None:
    before = keys_of(models=with_instructions())
    (discount,) = INSTRUCTIONS["discounts"]
    assert keys_of(models=with_instructions(discounts=[{**discount, "reason": "a sale"}])) == before
    later = {**discount, "from_on": date(2027, 5, 1), "to_on": date(2027, 5, 2)}
    assert keys_of(models=with_instructions(discounts=[discount, later])) == before
    assert keys_of(models=with_instructions(discounts=[{**discount, "pct": Decimal(11)}])) != before
    assert keys_of(models=with_instructions(price=Decimal(21))) != before
    assert keys_of() != before


def test_a_new_title_is_published_with_the_plans_that_were_kept(tmp_path: Path, solved: list[str]) -> None:
    before = night_of(tmp_path)
    solved.clear()
    retitled = replace(MILL, settings=MILL.settings.model_copy(update={"title": "A mill by the water"}))
    after = night_of(tmp_path, workspace(models=(retitled, HOUSE)))
    assert not solved
    titles = dict(after["model_cost"].select("model_code", "model_title").unique().iter_rows())
    assert titles == {"mill": "A mill by the water", "house": HOUSE.settings.title}
    assert same(
        {name: frame.drop("model_title", strict=False) for name, frame in after.items()},
        {name: frame.drop("model_title", strict=False) for name, frame in before.items()},
    )


def test_the_cache_holds_a_whole_night_however_large(
    tmp_path: Path, solved: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(night, "MINIMUM_KEPT", 3)
    night_of(tmp_path)
    solved.clear()
    night_of(tmp_path)
    assert not solved
    night_of(tmp_path, workspace(models=(MILL,)), days=(DAY,))
    assert len(list((tmp_path / "plans").glob("*.plan"))) == 4


def test_all_that_the_planner_imports_is_in_its_version() -> None:
    """In a process of its own, for the tests have imported more."""
    listing = (
        "import sys, pipelines.planning.night as night; sources = set(map(str, night.planner_sources()));"
        "ours = [m.__file__ for n, m in sys.modules.items() if n.split('.')[0] in ('pipelines', 'schemas') and m.__file__];"
        "print(len(ours)); print(*sorted(set(ours) - sources))"
    )
    reported = subprocess.run(
        [sys.executable, "-c", listing], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert int(reported[0]) > 20 and reported[1] == ""


def test_plans_that_met_a_time_limit_are_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = solve.solve
    monkeypatch.setattr(solve, "solve", lambda *given: replace(real(*given), hit_time_limit=True))
    night_of(tmp_path, days=(DAY,))
    assert not list((tmp_path / "plans").glob("*.plan"))


def test_a_row_that_breaks_its_contract_is_named_by_model_buyer_and_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = plan_tables._model_cost

    def with_one_odd(context: Any, checked: Any, unfilled: Any) -> Any:
        row = real(context, checked, unfilled)
        is_odd = (context.model.model_code, context.buyer.buyer_code, row["scenario_code"]) == (
            "mill",
            "abroad",
            "flexible",
        )
        return {**row, "plan_status": "odd"} if is_odd else row

    monkeypatch.setattr(plan_tables, "_model_cost", with_one_odd)
    with pytest.raises(InputError, match="model_cost breaks its contract in 1 rows") as refused:
        night_of(tmp_path, days=(DAY,))
    named = f"priced_on {DAY}, model_code mill, scenario_code flexible, buyer_code abroad, plan_status 'odd'"
    assert named in refused.value.next_step


def test_errors_travel_between_processes() -> None:
    for kind in (KitfareError, InputError, PlanRefusedError):
        error = pickle.loads(pickle.dumps(kind("what", where="where", next_step="next", state="state")))
        assert type(error) is kind
        assert (error.what, error.where, error.next_step, error.state) == ("what", "where", "next", "state")
        assert str(error) == str(kind("what", where="where", next_step="next", state="state"))


@pytest.mark.parametrize("room", ["costing", "demand", "planner", "planning"])
def test_a_change_to_any_room_that_makes_plans_makes_them_anew(
    room: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Kept plans would outlive a change of code that is not part of their key."""
    sources = night.planner_sources()
    pipelines = Path(night.__file__).resolve().parent.parent
    of_room = sorted((pipelines / room).rglob("*.py"))
    assert of_room and set(of_room) <= set(sources)
    edited = tmp_path / of_room[-1].name
    edited.write_text(of_room[-1].read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    before = night.planner_version.__wrapped__()
    monkeypatch.setattr(night, "planner_sources", lambda: [edited if path == of_room[-1] else path for path in sources])
    assert night.planner_version.__wrapped__() != before
