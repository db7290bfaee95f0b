"""The settings files as text: every setting is there, none is lost, and those switched off work when switched on."""

import os
import re
import socket
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import settings as settings_module
from pipelines.errors import SettingsError
from pipelines.settings import (
    BUILT_IN_SCENARIOS,
    Buyer,
    Discount,
    Instructions,
    JointOrder,
    ListVersion,
    ModelSettings,
    Scenario,
    Settings,
)
from pipelines.settings_base import Strict, load_toml
from pipelines.settings_plausibility import PlausibilitySettings
from pipelines.settings_refresh import PrefectSettings, RefreshSettings, ReportSettings
from pipelines.settings_text import model_toml, settings_toml
from pipelines.settings_watches import Notify, Watch, WatchNews
from schemas.contract import FIRST_DAY, LAST_DAY

HOME = Buyer(buyer_code="home", title="a buyer at home", region_code="home", currency_code="EUR")
PLAIN = Settings(buyer=[HOME])
MODEL = ModelSettings(
    model_code="hut", title="A hut", versions=[ListVersion(list_version=1, released_on=date(2026, 1, 2))]
)

# Every character that TOML can hold: no lone surrogates, and line ends as written.
SURROGATES: tuple[Literal["Cs"]] = ("Cs",)
TEXTS = st.text(st.characters(exclude_categories=SURROGATES), max_size=20)
DECIMALS = st.decimals(0, 50, places=12)


def read_back(text: Any, kind: Any, tmp_path: Path) -> Any:
    path = tmp_path / "any.toml"
    path.write_text(text, encoding="utf-8", newline="")
    return load_toml(path, kind)


def switched_on(text: str) -> str:
    return re.sub(r"(?m)^#(?=[\[a-z])", "", text)


@pytest.mark.parametrize(
    "kind", [Settings, RefreshSettings, ReportSettings, Buyer, Scenario, JointOrder, Watch, WatchNews, Notify]
)
def test_every_key_of_kitfare_toml_is_there(kind: Any) -> None:
    text = settings_toml(PLAIN)
    for name, field in kind.model_fields.items():
        assert re.search(rf"\b{name}\b", text), name
        assert field.description and " ".join(field.description.split()) in " ".join(
            re.sub(r"(?m)^# ", "", text).split()
        )


@pytest.mark.parametrize("kind", [ModelSettings, Instructions, Discount, ListVersion])
def test_every_key_of_model_toml_is_there(kind: Any) -> None:
    text = model_toml(MODEL)
    for name, field in kind.model_fields.items():
        assert re.search(rf"\b{name}\b", text), name
        assert field.description and field.description in " ".join(re.sub(r"(?m)^# ", "", text).split()), name


def test_every_settings_class_is_tested() -> None:
    tested = {
        Settings,
        RefreshSettings,
        ReportSettings,
        PlausibilitySettings,
        PrefectSettings,
        Buyer,
        Scenario,
        JointOrder,
        Watch,
        WatchNews,
        Notify,
        ModelSettings,
        Instructions,
        Discount,
        ListVersion,
    }
    classes = {
        thing
        for thing in vars(settings_module).values()
        if isinstance(thing, type) and issubclass(thing, Strict) and thing is not Strict
    }
    assert classes == tested


def test_the_plain_settings_come_read_back(tmp_path: Path) -> None:
    assert read_back(settings_toml(PLAIN), Settings, tmp_path) == PLAIN
    assert read_back(model_toml(MODEL), ModelSettings, tmp_path) == MODEL


def test_what_is_switched_off_works_when_switched_on(tmp_path: Path) -> None:
    settings = read_back(switched_on(settings_toml(PLAIN)), Settings, tmp_path)
    assert settings.scenario == list(BUILT_IN_SCENARIOS)
    model = read_back(switched_on(model_toml(MODEL)), ModelSettings, tmp_path)
    assert model.instructions is not None
    assert model.instructions.discounts[0].pct == 10


def test_settings_far_from_the_defaults_come_read_back(tmp_path: Path) -> None:
    settings = Settings(
        refresh=RefreshSettings(priced_on=date(2026, 10, 31), months_back=0, effort="deep"),
        report=ReportSettings(title='A "title" \\ with \t all\x7f\n', coverage_floor=1e-7),
        buyer=[HOME, Buyer(**{**HOME.model_dump(), "buyer_code": "away", "exchange_margin_pct": Decimal("2.5")})],
        scenario=[
            Scenario(
                scenario_code="few", title="Few parcels", maximum_vendor_count=2, forbidden_vendors=["00501", "é#]"]
            ),
            Scenario(scenario_code="used", title="Used too", conditions=["new", "used"]),
        ],
    )
    assert read_back(settings_toml(settings), Settings, tmp_path) == settings


@given(
    title=TEXTS,
    sections=st.lists(TEXTS, max_size=3),
    price=DECIMALS,
    pcts=st.lists(st.decimals("0.000001", 100, places=6), max_size=3),
    days=st.lists(st.dates(FIRST_DAY, LAST_DAY), min_size=1, max_size=3),
)
def test_any_model_comes_read_back(
    tmp_path_factory: pytest.TempPathFactory, title: Any, sections: Any, price: Any, pcts: Any, days: Any
) -> None:
    model = ModelSettings(
        model_code="hut",
        title=title,
        skip_sections=sections,
        maker_lines=[3, 1],
        instructions=Instructions(
            price=price, currency_code="PLN", discounts=[Discount(pct=pct, reason=title) for pct in pcts]
        ),
        versions=[ListVersion(list_version=n + 1, released_on=day) for n, day in enumerate(days)],
    )
    assert read_back(model_toml(model), ModelSettings, tmp_path_factory.getbasetemp()) == model


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[refresh]\nmonth_back = 3\n", "refresh.month_back: there is no such setting; did you mean months_back?"),
        (
            '[refresh]\neffort = "huge"\n',
            "refresh.effort: 'huge' is not allowed: it must be 'quick', 'standard' or 'deep'",
        ),
        ('[refresh]\nmonths_back = "two"\n', "'two' is not allowed: it must be a valid whole number"),
        ('[refresh]\npriced_on = "tomorrow"\n', "'tomorrow' is not allowed: it must be a valid date"),
        (
            "[refresh]\npriced_on = 0001-01-01\n",
            "refresh.priced_on: 0001-01-01 is not from 1990-01-01 to 2199-12-31",
        ),
        ("[refresh]\npriced_on = 9999-12-31\n", "refresh.priced_on: 9999-12-31 is not from"),
        ("[refresh]\nstale_after_days = 1000000000000\n", "refresh.stale_after_days: 1000000000000 is not allowed"),
        ("[refresh]\nmonths_back = -1\n", "refresh.months_back: -1 is not allowed: it must be greater"),
        ("", "buyer: is missing"),
        ('[[buyer]]\nbuyer_code = "home"\n', "buyer #1.title: is missing"),
        ('[[buyer]]\ncurrency_code = "EURO"\n', "buyer #1.currency_code: 'EURO' is not a currency of ISO 4217"),
    ],
)
def test_wrong_settings_are_refused_with_place_and_reason(text: str, message: Any, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        read_back(text, Settings, tmp_path)
    assert message in caught.value.where
    for phrase in ("Value error", "pydantic", "unable to parse", "input is too", "datetime"):
        assert phrase not in str(caught.value)


@pytest.mark.parametrize(
    "text", ["[refresh\n", "[refresh]\nmonths_back = many\n", '[report]\ntitle = "a\nb"\n', "\x00"]
)
def test_a_file_that_is_not_toml_is_refused_with_the_line(text: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"can't be read as TOML.*line [12]") as caught:
        read_back(text, Settings, tmp_path)
    assert caught.value.next_step


@pytest.mark.parametrize(
    "text", ["a = " + "9" * 5000, "a = " + "[" * 100_000, "[" * 100_000, "a = " + "{a = " * 100_000, "a" + ".a" * 5000]
)
def test_brackets_and_digits_without_end_are_refused_in_words(text: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        read_back(text, Settings, tmp_path)
    assert caught.value.next_step


def test_what_is_no_plain_file_is_said_and_never_waited_for(tmp_path: Path) -> None:
    place = tmp_path / "model.toml"
    place.mkdir()
    with pytest.raises(SettingsError, match="it is a folder, not a plain file"):
        load_toml(place, ModelSettings)
    place.rmdir()
    os.mkfifo(place)
    with pytest.raises(SettingsError, match="it is a named pipe"):
        load_toml(place, ModelSettings)
    place.unlink()
    place.symlink_to("nowhere")
    with pytest.raises(SettingsError, match="a link that leads nowhere"):
        load_toml(place, ModelSettings)
    place.unlink()
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(os.path.relpath(place))
        with pytest.raises(SettingsError, match="it is a socket"):
            load_toml(place, ModelSettings)


def test_only_scenarios_that_exist_are_planned_for_the_past() -> None:
    with pytest.raises(
        ValueError, match="past_scenarios names cheepest, but there are only: listed, flexible, maker_marked"
    ):
        Settings(
            buyer=[Buyer(buyer_code="home", title="x", region_code="home", currency_code="EUR")],
            refresh=RefreshSettings(past_scenarios=["listed", "cheepest"]),
        )
