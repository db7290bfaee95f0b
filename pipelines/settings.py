"""The workspace's settings: every key has a default, a meaning and a check, and ``kitfare init`` writes them all out.

The text of kitfare.toml is generated from these classes, so that a setting cannot exist without being explained.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from pipelines.errors import UsageError
from pipelines.money import is_currency
from pipelines.settings_base import Effort, ExactDecimal, Strict
from pipelines.settings_files import load_toml
from pipelines.settings_prefect import PrefectSettings
from pipelines.settings_watches import Watch, WatchNews


class RefreshSettings(Strict):
    """What a refresh computes."""

    priced_on: Literal["today", "latest_export"] | date = Field(
        "today",
        description="date to price: today, latest_export (the newest date in the price history), or a date",
    )
    stale_after_days: int = Field(
        30,
        ge=1,
        description="an offer not confirmed for this many days can't be bought and counts as unknown",
    )
    months_back: int = Field(24, ge=0, le=240, description="month ends before the priced date to price as well")
    effort: Effort = Field("standard", description="planning effort for the priced date: quick, standard or deep")
    past_effort: Effort = Field("quick", description="planning effort for past month ends")
    copy_counts: list[Annotated[int, Field(ge=1, le=100)]] = Field(
        [1, 2, 3],
        description="numbers of copies whose cost, bought at once, is shown beside the model's own copy_count",
    )
    workers: int = Field(2, ge=1, le=64, description="plans worked on at once")
    keep_generations: int = Field(3, ge=2, le=100, description="published generations that stay on disk")


class ReportSettings(Strict):
    """What the pages show."""

    title: str = Field("What the models cost", description="title of the index page")
    coverage_floor: float = Field(
        0.8, ge=0, le=1, description="an index or cost below this share of the basket priced is withheld"
    )
    mover_count: int = Field(5, ge=1, description="rises and falls listed in the monthly report")
    months_with_model_pages: int = Field(
        25,
        ge=1,
        description="latest months in which every model has a report page of its own; older ones keep the page of all models",
    )
    running_out_months: int = Field(
        6,
        ge=1,
        le=60,
        description="an element whose stock surely falls is running out if by its trend it covers the need no longer",
    )


class Buyer(Strict):
    """Who buys: where parcels go, which money counts, and what currency exchange costs."""

    buyer_code: str = Field(description="short name used in tables and commands")
    title: str = Field(description="words for pages, such as: a buyer at home")
    region_code: str = Field(description="region the parcels go to, as in the vendor terms")
    currency_code: str = Field(description="currency of all totals, ISO 4217")
    exchange_margin_pct: ExactDecimal = Field(
        Decimal(0), ge=0, le=50, description="what a bank adds to the exchange rate, in per cent"
    )

    plan_past_months: bool = Field(
        True,
        description="whether past month ends are planned for this buyer as well; each buyer adds as much work again",
    )

    @field_validator("currency_code")
    @classmethod
    def _known_currency(cls, value: str) -> str:
        if not is_currency(value):
            raise ValueError(f"{value!r} is not a currency of ISO 4217")
        return value


MakerRule = Literal["none", "marked", "all_it_has", "any_mix"]


class Scenario(Strict):
    """A named set of rules under which plans are made."""

    scenario_code: str = Field(description="short name used in tables and commands")
    title: str = Field(description="plain words for pages")
    use_flexibility: bool = Field(True, description="whether colour flexible lines count")
    use_substitutes: bool = Field(True, description="whether stand-ins and combinations count")
    maker: MakerRule = Field(
        "none",
        description="the maker's shop: none (not used), marked (for the model's maker_lines), all_it_has "
        "(first choice for everything), any_mix (a vendor like any other)",
    )
    independents: bool = Field(True, description="whether independent vendors are used")
    conditions: list[Literal["new", "used"]] = Field(["new"], description="conditions every portion accepts")
    use_stock_on_hand: bool = Field(False, description="whether stock on hand is used first")
    allow_spares: bool = Field(True, description="whether more may be bought than needed when that is cheaper")
    maximum_vendor_count: int | None = Field(None, ge=1, description="most vendors in one plan")
    forbidden_vendors: list[str] = Field([], description="vendors never used")
    only_vendors: list[str] = Field([], description="if not empty, only these vendors are used")
    forced_vendors: list[str] = Field(
        [], description="every plan orders something it uses from each of these vendors; without that it is refused"
    )
    parcel_penalty: ExactDecimal = Field(
        Decimal(0),
        ge=0,
        description="what one more parcel is worth avoiding, in the buyer's currency: counts when plans are compared, "
        "never in what they cost",
    )
    preferred_vendors: list[str] = Field(
        [],
        description="vendors to order from rather than from others, where that costs less than preference_value more",
    )
    preference_value: ExactDecimal = Field(
        Decimal("0.01"),
        gt=0,
        description="what one order less from a vendor that is not preferred is worth, in the buyer's currency: counts like "
        "parcel_penalty, and only beside preferred_vendors; the default decides between plans of equal cost",
    )

    @model_validator(mode="after")
    def _can_force(self) -> Scenario:
        """Forced and preferred vendors may be used, and those forced are not too many."""
        forced = set(self.forced_vendors)
        for name, wished in (("forced_vendors", forced), ("preferred_vendors", set(self.preferred_vendors))):
            unused = (wished & set(self.forbidden_vendors)) | (
                wished - set(self.only_vendors) if self.only_vendors else set()
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

    joint_order_code: str = Field(description="short name used in tables", examples=["together"])
    title: str = Field(description="words for pages", examples=["Both models in one go"])
    model_codes: list[str] = Field(
        min_length=2,
        description="the models; up to 8 get their fair share worked out",
        examples=[["model_a", "model_b"]],
    )
    buyer_code: str = Field(description="who buys", examples=["home"])
    scenario_code: str = Field(
        "cheapest",
        description="the way of buying; not one in which the maker's order is fixed before the others' (marked, all_it_has)",
    )
    use_stock_on_hand: bool = Field(True, description="whether stock on hand is used first")
    effort: Effort = Field(
        "standard",
        description="planning effort for all models together and, up to 3 models, for every set of them; the sets of 4 to 8 "
        "models are planned with quick: 4 models take some 10 s of processor time, 8 some two minutes",
    )

    @field_validator("model_codes")
    @classmethod
    def _different(cls, value: list[str]) -> list[str]:
        if len(set(value)) < len(value):
            raise ValueError("model_codes names a model twice")
        return value


class Settings(Strict):
    """All of kitfare.toml."""

    refresh: RefreshSettings = Field(default_factory=RefreshSettings, description="what a refresh computes")
    report: ReportSettings = Field(default_factory=ReportSettings, description="what the pages show")
    prefect: PrefectSettings = Field(
        default_factory=PrefectSettings,
        description="refreshes that Prefect records: scheduled ones, and those with --prefect",
    )
    buyer: list[Buyer] = Field(min_length=1, description="who buys; every model is priced for each of them")
    scenario: list[Scenario] = Field(
        default_factory=list,
        description="scenarios of your own; one with the code of a built-in scenario replaces it",
    )
    watch: list[Watch] = Field(default_factory=list, description="what to be told about after each refresh")
    watch_news: WatchNews = Field(
        default_factory=WatchNews, description="where the news of watches goes, besides the page watches.html"
    )
    joint_order: list[JointOrder] = Field(
        default_factory=list,
        description="models to buy together: what shared parcels save, and each model's fair share of the cost",
    )

    @model_validator(mode="after")
    def _watches_make_sense(self) -> Settings:
        """Watches have codes of their own and name buyers and scenarios that are there."""
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
                        f"the watch {watch.watch_code} names the {kind} {code}, which is none of {', '.join(sorted(known[kind]))}"
                    )
        return self

    @model_validator(mode="after")
    def _orders_make_sense(self) -> Settings:
        """Joint orders name buyers and scenarios that are there, and have codes of their own."""
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
                    f"the joint order {code} is for the buyer {order.buyer_code}, who is none of {', '.join(sorted(buyers))}"
                )
            scenario = scenarios.get(order.scenario_code)
            if scenario is None:
                raise ValueError(
                    f"the joint order {code} names the scenario {order.scenario_code}, which is none of {', '.join(scenarios)}"
                )
            if scenario.maker in ("marked", "all_it_has"):
                raise ValueError(
                    f"the joint order {code} names the scenario {order.scenario_code}, whose maker's shop is {scenario.maker}: choose none or any_mix"
                )
        return self

    @property
    def scenarios(self) -> tuple[Scenario, ...]:
        """The built-in scenarios and the user's; one of the user's replaces a built-in of the same code."""
        own = {scenario.scenario_code: scenario for scenario in self.scenario}
        built_in = tuple(own.pop(s.scenario_code, s) for s in BUILT_IN_SCENARIOS)
        return (*built_in, *own.values())


class Discount(Strict):
    """A running sale or a code; several that hold at once multiply (common practice, no source)."""

    pct: ExactDecimal = Field(gt=0, le=100, description="what it takes off, in per cent", examples=[Decimal(10)])
    from_on: date = Field(date(1900, 1, 1), description="first day on which it holds")
    to_on: date = Field(date(9999, 12, 31), description="last day on which it holds")
    reason: str = Field("", description="why, for people")


class Instructions(Strict):
    """What the designer's instructions cost."""

    price: ExactDecimal = Field(ge=0, description="price before any sale or code", examples=[Decimal("25.00")])
    currency_code: str = Field(description="currency of the price, ISO 4217", examples=["EUR"])
    discounts: list[Discount] = Field([], description="sales and codes on the price")


class ListVersion(Strict):
    """One version of the designer's parts list."""

    list_version: int = Field(ge=1, description="number of the version, as in parts.csv")
    released_on: date = Field(description="first day on which this version holds")


class ModelSettings(Strict):
    """All of models/<model_code>/model.toml."""

    model_code: str = Field(description="short name used in tables and commands; also the folder's name")
    title: str = Field(description="words for pages")
    designer: str = Field("", description="who designed the model")
    copy_count: int = Field(1, ge=1, le=1000, description="copies to buy for")
    skip_sections: list[str] = Field([], description="sections of the parts list that are not bought")
    maker_lines: list[int] = Field([], description="lines bought from the maker in scenarios that say maker = marked")
    publish_lines: Literal["none", "some", "all"] = Field(
        "none", description="how much of the parts list pages may show line by line: none, some or all"
    )
    instructions: Instructions | None = Field(None, description="what the designer's instructions cost")
    versions: list[ListVersion] = Field(min_length=1, description="versions of the parts list, with their dates")

    def version_on(self, day: date) -> int | None:
        """The parts list's version that quarantined on a date; None before the first."""
        quarantined = [version for version in self.versions if version.released_on <= day]
        return (
            max(quarantined, key=lambda version: (version.released_on, version.list_version)).list_version
            if quarantined
            else None
        )


@dataclass(frozen=True)
class Workspace:
    """The user's folder and the paths in it."""

    root: Path

    def __post_init__(self) -> None:
        if not (self.root / "kitfare.toml").is_file():
            raise UsageError(
                f"{self.root} is not a kitfare workspace: it has no kitfare.toml",
                next_step="run `kitfare init DIR`, or give --workspace DIR",
            )

    @property
    def inbox(self) -> Path:
        """Where price exports are dropped."""
        return self.root / "inbox"

    @property
    def quarantined(self) -> Path:
        """Where rows that failed wait to be corrected."""
        return self.root / "quarantined"

    @property
    def archive(self) -> Path:
        """Every input by its content hash."""
        return self.root / "archive"

    @property
    def profiles(self) -> Path:
        """One TOML file per source of price files."""
        return self.root / "profiles"

    @property
    def tables(self) -> Path:
        """The workspace's own tables."""
        return self.root / "tables"

    @property
    def models(self) -> Path:
        """One folder per model."""
        return self.root / "models"

    @property
    def warehouse(self) -> Path:
        """The warehouse, written by one refresh at a time."""
        return self.root / "warehouse.duckdb"

    @property
    def generations(self) -> Path:
        """The published generations."""
        return self.root / "generations"

    @property
    def published(self) -> Path:
        """Symbolic link to the generation readers see."""
        return self.root / "published"

    def settings(self) -> Settings:
        """kitfare.toml, checked."""
        return load_toml(self.root / "kitfare.toml", Settings)
