"""The settings of a workspace and of a model, and the paths of a workspace.

kitfare.toml and model.toml are written from these classes, so no setting can exist without its explanation.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from pipelines.money import is_currency
from pipelines.settings_base import Day, Effort, ExactDecimal, Strict
from pipelines.settings_plausibility import PlausibilitySettings
from pipelines.settings_prefect import PrefectSettings
from pipelines.settings_watches import Notify, Watch, WatchNews
from schemas.contract import FIRST_PRICE_DAY, LAST_PRICE_DAY


class RefreshSettings(Strict):
    """What a refresh computes."""

    priced_on: Literal["today", "latest_export"] | date = Field(
        "today",
        description="The date to price: today, latest_export (the latest date on which at least half of the usual vendors have prices that "
        "are not stale), or a date.",
    )
    stale_after_days: int = Field(
        30,
        ge=1,
        le=36_500,
        description="An offer that no price export has confirmed for this many days can't be bought; its price is unknown.",
    )
    months_back: int = Field(
        24, ge=0, le=240, description="How many month ends before the priced date have prices and indices."
    )
    effort: Effort = Field("standard", description="How hard to search for cheaper plans: quick, standard or deep.")
    planned_months_back: int = Field(12, ge=0, le=240, description="How many of these month ends are planned as well.")
    past_scenarios: list[str] = Field(
        ["listed", "cheapest"], description="The scenarios that are planned for past month ends as well."
    )
    copy_counts: list[Annotated[int, Field(ge=1, le=100)]] = Field(
        [1, 2, 3], description="Numbers of copies whose costs the pages compare. The model's copy_count is added."
    )
    planned_lines: int = Field(
        3, ge=0, le=1000, description="For so many flexible lines of a model what they save is planned, not estimated."
    )
    workers: int = Field(2, ge=1, le=64, description="How many plans are made at once; each needs a processor core.")
    expected_every_hours: int = Field(
        26,
        ge=0,
        le=10000,
        description="A refresh is overdue if none has succeeded for so many hours. 0: never overdue.",
    )
    keep_generations: int = Field(
        3, ge=2, le=100, description="How many published generations stay on disk, the newest one included."
    )
    inbox_quiet_seconds: float = Field(
        5,
        ge=0,
        le=600,
        description="A file in inbox/ that changes within so many seconds is not whole yet: it waits for the next refresh.",
    )
    keep_taken_days: int = Field(
        90,
        ge=1,
        le=36500,
        description="How many days a file stays in taken/ after it was taken in. The archive keeps its content for good.",
    )

    keep_plans_days: int = Field(
        90,
        ge=1,
        le=36500,
        description="`kitfare prune` removes kept plans that no refresh has used for so many days; they can be made again.",
    )
    keep_old_warehouse_days: int = Field(
        30,
        ge=0,
        le=36500,
        description="`kitfare prune` removes the old warehouse that a rebuild left, after so many days.",
    )

    @field_validator("priced_on")
    @classmethod
    def _can_be_calculated_with(cls, value: str | date) -> str | date:
        if isinstance(value, date) and not FIRST_PRICE_DAY <= value <= LAST_PRICE_DAY:
            raise ValueError(f"{value} is not from {FIRST_PRICE_DAY} to {LAST_PRICE_DAY}")
        return value


class ReportSettings(Strict):
    """What the pages show."""

    title: str = Field("What the models cost", description="Title of the index page.")
    coverage_floor: float = Field(
        0.8, ge=0, le=1, description="An index or cost is shown only if at least this share of it has a price."
    )
    mover_count: int = Field(
        5, ge=1, le=10_000, description="How many rises and how many falls the monthly report lists."
    )
    months_with_model_pages: int = Field(
        25,
        ge=1,
        le=10_000,
        description="The latest months with a report page per model; older ones have one page for all.",
    )
    public_words: list[str] = Field(
        [], description="Words that public pages may use although a private list has a part of that code or name."
    )
    running_out_months: int = Field(
        6,
        ge=1,
        le=60,
        description="An element is running out if its stock clearly falls and, at that pace, won't cover the need in so many months.",
    )


class Buyer(Strict):
    """Who buys: where parcels go, which money counts, and what currency exchange costs."""

    buyer_code: str = Field(description="Short name for tables and commands.")
    title: str = Field(description="Words for pages, such as: a buyer at home.")
    region_code: str = Field(description="Region the parcels go to: a buyer_region_code of tables/vendor_terms.csv.")
    currency_code: str = Field(description="Currency of all totals, such as EUR (ISO 4217).")
    exchange_margin_pct: ExactDecimal = Field(
        Decimal(0), ge=0, le=50, description="What a bank adds to the exchange rate, in per cent."
    )
    plan_past_months: bool = Field(
        True,
        description="Plan past month ends for this buyer, too. Each such buyer adds as much work as the first.",
    )

    @field_validator("currency_code")
    @classmethod
    def _known_currency(cls, value: str) -> str:
        if not is_currency(value):
            raise ValueError(f"{value!r} is not a currency of ISO 4217")
        return value


MakerRule = Literal["none", "marked", "all_it_has", "any_mix"]


class Scenario(Strict):
    """A way of buying: a named set of rules under which plans are made."""

    scenario_code: str = Field(description="Short name for tables and commands.")
    title: str = Field(description="Words for pages and commands.")
    use_flexibility: bool = Field(
        True, description="Use the colours that flexible_lines.csv allows; false: every line in its listed colour."
    )
    use_substitutes: bool = Field(
        True,
        description="Use tables/substitutes.csv and tables/combinations.csv; false: every line in its listed form.",
    )
    maker: MakerRule = Field(
        "none",
        description="The maker's shop: none (not used), marked (for the model's maker_lines), all_it_has (for all it has), "
        "any_mix (like any other vendor).",
    )
    independents: bool = Field(True, description="Buy from independent vendors.")
    conditions: list[Literal["new", "used"]] = Field(
        ["new"],
        description="Conditions that every line accepts: new, used. A line may allow more in flexible_lines.csv.",
    )
    use_stock_on_hand: bool = Field(False, description="Use the pieces of tables/stock_on_hand.csv first.")
    allow_spares: bool = Field(True, description="Buy more pieces than needed where that is cheaper.")
    maximum_vendor_count: int | None = Field(
        None, ge=1, le=10_000, description="A plan buys from no more vendors than this."
    )
    forbidden_vendors: list[str] = Field([], description="Vendors to buy nothing from.")
    only_vendors: list[str] = Field([], description="Buy from these vendors only; empty: from all.")
    forced_vendors: list[str] = Field(
        [], description="Every plan buys something needed from each of these vendors, or is refused."
    )
    parcel_penalty: ExactDecimal = Field(
        Decimal(0),
        ge=0,
        description="What one parcel less is worth to you, in the buyer's currency. It decides between plans and is in no "
        "published cost.",
    )
    preferred_vendors: list[str] = Field(
        [],
        description="Vendors that come first where an order from them costs less than preference_value more.",
    )
    preference_value: ExactDecimal = Field(
        Decimal("0.01"),
        gt=0,
        description="What one order less from a vendor outside that list is worth to you, in the buyer's currency. It is in no "
        "published cost. The default decides between plans of equal cost.",
    )

    @model_validator(mode="after")
    def _can_force(self) -> Scenario:
        """The scenario uses its forced and preferred vendors, and allows as many vendors as it forces."""
        forced = set(self.forced_vendors)
        for name, named in (("forced_vendors", forced), ("preferred_vendors", set(self.preferred_vendors))):
            unused = (named & set(self.forbidden_vendors)) | (
                named - set(self.only_vendors) if self.only_vendors else set()
            )
            if unused:
                raise ValueError(f"{name} names vendors that the scenario does not use: {', '.join(sorted(unused))}")
        if self.maximum_vendor_count is not None and len(forced) > self.maximum_vendor_count:
            raise ValueError("forced_vendors names more vendors than maximum_vendor_count allows")
        return self


BUILT_IN_SCENARIOS: tuple[Scenario, ...] = (
    Scenario(scenario_code="listed", title="Exactly as designed", use_flexibility=False, use_substitutes=False),
    Scenario(scenario_code="flexible", title="Hidden parts in any colour"),
    Scenario(scenario_code="maker_marked", title="Some lines from the maker's shop", maker="marked"),
    Scenario(scenario_code="maker_first", title="The maker's shop first, the rest elsewhere", maker="all_it_has"),
    Scenario(scenario_code="cheapest", title="Cheapest mix", maker="any_mix"),
)


class JointOrder(Strict):
    """Several models bought together, in shared parcels."""

    joint_order_code: str = Field(description="Short name for tables.", examples=["together"])
    title: str = Field(description="Words for pages.", examples=["Both models in one go"])
    model_codes: list[str] = Field(
        min_length=2,
        description="The models. For up to 8, each model's fair share of the cost is calculated in full.",
        examples=[["model_a", "model_b"]],
    )
    buyer_code: str = Field(description="The buyer_code of the buyer.", examples=["home"])
    scenario_code: str = Field(
        "cheapest",
        description="The way of buying. Its maker setting must be none or any_mix.",
    )
    use_stock_on_hand: bool = Field(True, description="Use the pieces of tables/stock_on_hand.csv first.")
    effort: Effort = Field(
        "standard",
        description="How hard to search for cheaper plans. From 4 models on, parts of the group are always planned with quick: "
        "4 models take about 10 s, 8 about two minutes.",
    )

    @field_validator("model_codes")
    @classmethod
    def _different(cls, value: list[str]) -> list[str]:
        if len(set(value)) < len(value):
            raise ValueError("model_codes names a model twice")
        return value


class Settings(Strict):
    """All of kitfare.toml."""

    refresh: RefreshSettings = Field(default_factory=RefreshSettings, description="What a refresh computes.")
    plausibility: PlausibilitySettings = Field(
        default_factory=PlausibilitySettings, description="From when on a price export is not believed but waits."
    )
    report: ReportSettings = Field(default_factory=ReportSettings, description="What the pages show.")
    prefect: PrefectSettings = Field(
        default_factory=PrefectSettings,
        description="Refreshes that Prefect records: scheduled ones, and those with --prefect.",
    )
    buyer: list[Buyer] = Field(min_length=1, description="Who buys. Every model is priced for each buyer.")
    scenario: list[Scenario] = Field(
        default_factory=list,
        description="Ways of buying of your own. One with the code of a built-in way replaces it.",
    )
    watch: list[Watch] = Field(default_factory=list, description="What to report after each refresh.")
    watch_news: WatchNews = Field(
        default_factory=WatchNews,
        description="Where the results of watches go, besides the page watches.html and [[notify]].",
    )
    notify: list[Notify] = Field(
        default_factory=list,
        description="Who hears of a failed or overdue refresh, and of watches. kitfare itself sends nothing over a network.",
    )
    joint_order: list[JointOrder] = Field(
        default_factory=list,
        description="Models to buy together. The pages show what shared parcels save, and each model's fair share.",
    )

    @model_validator(mode="after")
    def _codes_differ(self) -> Settings:
        """Every buyer and every way of buying has its own code, whatever its case: codes become names of files."""
        for kind, codes in (
            ("buyers", [buyer.buyer_code for buyer in self.buyer]),
            ("scenarios", [scenario.scenario_code for scenario in self.scenario]),
        ):
            seen: dict[str, str] = {}
            for code in codes:
                if code.casefold() in seen:
                    raise ValueError(f"two {kind} are called {seen[code.casefold()]} and {code}")
                seen[code.casefold()] = code
        return self

    @model_validator(mode="after")
    def _past_scenarios_exist(self) -> Settings:
        """Only scenarios that exist are planned for past month ends."""
        known = [scenario.scenario_code for scenario in self.scenarios]
        if unknown := [code for code in self.refresh.past_scenarios if code not in known]:
            raise ValueError(f"past_scenarios names {unknown[0]}, but there are only: {', '.join(known)}")
        return self

    @model_validator(mode="after")
    def _watches_make_sense(self) -> Settings:
        """Every watch has its own code and names a buyer and a scenario that exist."""
        known = {
            "buyer": {buyer.buyer_code for buyer in self.buyer},
            "scenario": {scenario.scenario_code for scenario in self.scenarios},
        }
        seen: set[str] = set()
        for watch in self.watch:
            if watch.watch_code in seen:
                raise ValueError(f"two watches are called {watch.watch_code}")
            seen.add(watch.watch_code)
            named = [("buyer", code) for code in watch.buyer_codes] + [("scenario", watch.scenario_code)]
            for kind, code in named:
                if code not in known[kind]:
                    raise ValueError(
                        f"the watch {watch.watch_code} names the {kind} {code}, but there are only: {', '.join(sorted(known[kind]))}"
                    )
        return self

    @model_validator(mode="after")
    def _orders_make_sense(self) -> Settings:
        """Every joint order has its own code and names a buyer and a scenario that exist."""
        scenarios = {scenario.scenario_code: scenario for scenario in self.scenarios}
        buyers = {buyer.buyer_code for buyer in self.buyer}
        seen: set[str] = set()
        for order in self.joint_order:
            code = order.joint_order_code
            if code in seen:
                raise ValueError(f"two joint orders are called {code}")
            seen.add(code)
            if order.buyer_code not in buyers:
                raise ValueError(
                    f"the joint order {code} names the buyer {order.buyer_code}, but there are only: {', '.join(sorted(buyers))}"
                )
            scenario = scenarios.get(order.scenario_code)
            if scenario is None:
                raise ValueError(
                    f"the joint order {code} names the scenario {order.scenario_code}, but there are only: {', '.join(scenarios)}"
                )
            if scenario.maker in ("marked", "all_it_has"):
                raise ValueError(
                    f"the joint order {code} names the scenario {order.scenario_code} with maker = {scenario.maker}: choose one "
                    "with none or any_mix"
                )
        return self

    @property
    def scenarios(self) -> tuple[Scenario, ...]:
        """The built-in scenarios and the user's; one of the user's replaces a built-in of the same code."""
        own = {scenario.scenario_code: scenario for scenario in self.scenario}
        built_in = tuple(own.pop(s.scenario_code, s) for s in BUILT_IN_SCENARIOS)
        return (*built_in, *own.values())


class Discount(Strict):
    """A sale or a discount code. Several on one day multiply: 20 % and 10 % leave 72 % (common practice, no source)."""

    pct: ExactDecimal = Field(gt=0, le=100, description="What it takes off, in per cent.", examples=[Decimal(10)])
    from_on: Day = Field(date(1900, 1, 1), description="Its first day.")
    to_on: Day = Field(date(9999, 12, 31), description="Its last day.")
    reason: str = Field("", description="A note for people who read this later.")


class Instructions(Strict):
    """What the designer's instructions cost."""

    price: ExactDecimal = Field(
        ge=0, description="Price before any sale or discount code.", examples=[Decimal("25.00")]
    )
    currency_code: str = Field(description="Currency of the price, such as EUR (ISO 4217).", examples=["EUR"])
    discounts: list[Discount] = Field(
        [], description="Sales and discount codes. Several on one day multiply: 20 % and 10 % leave 72 %."
    )


class ListVersion(Strict):
    """One version of the designer's parts list."""

    list_version: int = Field(ge=1, le=1_000_000, description="Number of the version, as in parts.csv.")
    released_on: Day = Field(
        description="First day of this version. Earlier days use the version before, if there is one."
    )


class ModelSettings(Strict):
    """All of models/<model_code>/model.toml."""

    model_code: str = Field(description="Short name for tables and commands. The folder has the same name.")
    title: str = Field(description="Name of the model on pages.")
    designer: str = Field("", description="Who designed the model.")
    copy_count: int = Field(1, ge=1, le=1000, description="How many copies to buy parts for.")
    skip_sections: list[str] = Field(
        [], description="Sections of the parts list that are not bought (section_code in parts.csv)."
    )
    maker_lines: list[Annotated[int, Field(ge=1, le=1_000_000_000)]] = Field(
        [], description='Lines that scenarios with maker = "marked" buy at the maker\'s shop.'
    )
    publish_lines: Literal["none", "some", "all"] = Field(
        "none", description="How much of the parts list public pages may show line by line: none, some or all."
    )
    instructions: Instructions | None = Field(None, description="What the designer's instructions cost.")
    versions: list[ListVersion] = Field(min_length=1, description="Versions of the parts list, with their dates.")

    def version_on(self, day: date) -> int | None:
        """The parts list's version on a date; None before the first."""
        released = [version for version in self.versions if version.released_on <= day]
        if not released:
            return None
        return max(released, key=lambda version: (version.released_on, version.list_version)).list_version
