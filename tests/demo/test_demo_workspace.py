"""The committed workspace of the demo: reproducible, valid, coherent, and as varied as its README says."""

import shutil
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from demo_inputs import decisions, market, revisions, vendor_list
from demo_inputs.catalogue import NOWHERE, USED_ONLY, by_code, maker_assortment, parts
from demo_inputs.make_workspace import WORKSPACE, make_workspace, settings
from demo_inputs.model_plans import PLANS, lines_of
from pipelines.demand.colour_distance import distances
from pipelines.inputs import exchange_rate_on
from pipelines.intake.profiles.profiles import load_profiles
from pipelines.intake.workspace.workspace_files import read_workspace
from pipelines.settings import ModelSettings, Settings
from pipelines.settings_base import load_toml
from pipelines.workspace import Workspace
from schemas.all_tables import WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.validate import require_valid
from tests.present import present

MODELS = [plan.code for plan in PLANS]
DECISIONS = (
    "accepted_exports",
    "withdrawn_files",
    "confirmed_prices",
    "source_corrections",
)  # the user's, so the demo has none


def read(contract: Contract, path: Path) -> pl.DataFrame:
    return require_valid(contract, pl.read_csv(path, infer_schema=False), where=path.name)


@pytest.fixture(scope="module")
def tables() -> Any:
    contracts = [contract for contract in WORKSPACE_TABLES if contract.name not in DECISIONS]
    return {contract.name: read(contract, WORKSPACE / "tables" / f"{contract.name}.csv") for contract in contracts}


def model_files(code: str) -> tuple[ModelSettings, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    folder = WORKSPACE / "models" / code
    return (
        load_toml(folder / "model.toml", ModelSettings),
        read(PARTS_LIST, folder / "parts.csv"),
        read(FLEXIBLE_LINES, folder / "flexible_lines.csv"),
        read(AMENDMENTS, folder / "amendments.csv"),
    )


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_the_committed_files_are_what_the_script_writes(tmp_path: Path) -> None:
    make_workspace(tmp_path)
    assert files_in(tmp_path) == files_in(WORKSPACE)


def test_the_committed_files_stay_small() -> None:
    assert sum(len(data) for data in files_in(WORKSPACE).values()) < 1_000_000


def test_there_are_no_unknown_tables(tables: Any) -> None:
    assert {path.stem for path in (WORKSPACE / "tables").iterdir()} == set(tables)
    assert all(table.height for table in tables.values())


def test_settings_are_complete_and_priced_on_the_latest_export() -> None:
    loaded = load_toml(WORKSPACE / "kitfare.toml", Settings)
    assert loaded == settings()
    assert loaded.refresh.priced_on == "latest_export"
    assert [(buyer.region_code, buyer.currency_code) for buyer in loaded.buyer] == [("coast", "EUR"), ("isles", "GBP")]


def test_profiles_load_and_use_every_shape() -> None:
    profiles = {profile.profile_name: profile for profile in load_profiles(WORKSPACE / "profiles")}
    assert len(profiles) == 5
    assert profiles["fells_lists"].use_code_map and profiles["fells_lists"].numbers.decimal == ","
    assert profiles["isles_hall"].pack and profiles["isles_hall"].numbers.thousands == ","
    assert profiles["tide_ledger"].table == "price_summary"
    assert profiles["tarn_workbook"].constants["coverage"] == "partial"


def test_the_catalogue_is_as_large_as_the_readme_states(tables: Any) -> None:
    assert 35 <= tables["colours"].height <= 45
    assert set(tables["colours"]["finish"]) == {"plain", "transparent", "metallic", "pearl", "glow"}
    assert 400 <= tables["parts"].height <= 440
    assert "00501" in set(tables["parts"]["part_code"])
    assert 0.02 < tables["parts"]["weight_grams"].null_count() / tables["parts"].height < 0.12
    assert set(tables["parts"]["surface"]) == {"plain", "printed", "plated"}
    assert (
        tables["colours"]["srgb_hex"].n_unique()
        == tables["colours"]["colour_name"].n_unique()
        == tables["colours"].height
    )


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("substitutes", "part_code"), ("substitutes", "substitute_part_code"), ("combinations", "part_code"),
        ("combinations", "component_part_code"), ("code_map", "part_code"), ("stock_on_hand", "part_code"),
    ],
)  # fmt: skip
def test_tables_name_known_parts(tables: Any, table: str, column: str) -> None:
    assert set(tables[table][column]) <= set(tables["parts"]["part_code"])


def test_substitutes_have_both_kinds_and_all_strengths(tables: Any) -> None:
    assert set(tables["substitutes"]["substitute_kind"]) == {"other_form", "resolves_open_form"}
    assert set(tables["substitutes"]["strength"]) == {"stronger", "equal", "weaker"}


def test_the_code_map_covers_every_part_and_some_codes_are_ambiguous(tables: Any) -> None:
    codes = tables["code_map"]
    assert set(codes["part_code"]) == set(tables["parts"]["part_code"])
    assert 5 <= codes["is_ambiguous"].sum() <= 20
    assert codes["source_part_code"].str.starts_with("0").any(), "codes with leading zeros keep them"


def test_vendors_and_terms_fit_together(tables: Any) -> None:
    vendors, terms = tables["vendors"], tables["vendor_terms"]
    assert vendors.filter(pl.col("vendor_kind") == "maker").height == 1
    assert vendors.filter(pl.col("vendor_kind") == "independent").height == 40
    assert vendors["vendor_region_code"].n_unique() == vendors["currency_code"].n_unique() == 3
    for name in ("vendor_terms", "vendor_closures", "shipping_steps", "handling_charges"):
        assert set(tables[name]["vendor_code"]) <= set(vendors["vendor_code"])
    assert set(terms["vendor_code"]) == set(vendors["vendor_code"])
    assert set(terms["tax_on"]) == {"goods", "goods_and_shipping", "included"}
    assert terms["valid_from_on"].n_unique() > 3, "terms change in time"
    for column in (
        "minimum_order",
        "soft_minimum_charge",
        "minimum_line_value",
        "order_fee",
        "order_fee_pct",
        "discount_pct",
    ):
        assert terms.filter(pl.col(column) > 0).height >= 2, column
    for column in ("shipping_waived_from", "maximum_element_count", "maximum_piece_count"):
        assert terms[column].drop_nulls().len() >= 2, column
    assert set(tables["shipping_steps"]["step_basis"]) == {"goods_value", "weight_grams", "largest_dimension_mm"}
    for buyer in settings().buyer:
        served = terms.filter(pl.col("buyer_region_code") == buyer.region_code)["vendor_code"].n_unique()
        assert served >= 25, buyer.buyer_code


def test_the_maker_sells_on_its_usual_terms(tables: Any) -> None:
    of_maker = pl.col("vendor_code") == vendor_list.MAKER
    assert set(tables["vendor_terms"].filter(of_maker)["shipping_waived_from"]) == {35}
    charges = tables["handling_charges"].filter(of_maker)
    assert charges.height == 2 and set(charges["handling_waived_from"]) == {14}


def test_most_parcels_at_home_cost_7_and_some_6(tables: Any) -> None:
    home = tables["vendor_terms"].filter(
        (pl.col("buyer_region_code") == "coast") & pl.col("valid_from_on").eq(date(2024, 1, 1))
    )
    at_home = home.join(tables["vendors"].filter(pl.col("vendor_region_code") == "coast"), on="vendor_code", how="semi")
    counts = dict(at_home["shipping_charge"].value_counts().iter_rows())
    assert counts[7] > counts[6] >= 2


def test_rates_are_recent_enough_on_every_date_that_is_priced(tables: Any) -> None:
    for day in (*market.MONTH_ENDS, *market.NIGHTS):
        for source, target in (("GBP", "EUR"), ("SEK", "EUR"), ("SEK", "GBP"), ("EUR", "GBP")):
            assert exchange_rate_on(tables["exchange_rates"], source, target, day) is not None, (day, source, target)


@pytest.mark.parametrize("code", MODELS)
def test_models_name_known_elements_and_lines(tables: Any, code: Any) -> None:
    model, lists, flexible_lines, amendments = model_files(code)
    assert model == revisions.model_settings(next(plan for plan in PLANS if plan.code == code))
    assert set(lists["part_code"]) <= set(tables["parts"]["part_code"])
    assert set(lists["colour_code"]) <= set(tables["colours"]["colour_code"])
    assert set(lists["list_version"]) == {version.list_version for version in model.versions}
    lines = lists.filter(pl.col("list_version") == 1)
    assert lines.select(pl.struct("part_code", "colour_code").is_unique().all()).item(), "an element has one line"
    assert set(flexible_lines["line_number"]) <= set(lines["line_number"])
    assert set(model.maker_lines) <= set(lines["line_number"]) and len(model.maker_lines) >= 3
    assert set(model.skip_sections) <= set(lines["section_code"].drop_nulls())
    removed = amendments.filter(pl.col("amendment_action") == "remove")
    assert set(removed["line_number"]) <= set(lines["line_number"])
    added = amendments.filter(pl.col("amendment_action") == "add")
    assert not set(added["line_number"]) & set(lists["line_number"])
    for column in ("accept_colour_codes", "refuse_colour_codes"):
        named = {each for cell in flexible_lines[column].drop_nulls() for each in cell.split(";") if each}
        assert named <= set(tables["colours"]["colour_code"])


@pytest.mark.parametrize("code", MODELS)
def test_the_maker_sells_the_marked_lines(code: Any) -> None:
    model, lists, _, _ = model_files(code)
    marked = lists.filter(pl.col("line_number").is_in(model.maker_lines))
    for part_code, colour_code in marked.select("part_code", "colour_code").iter_rows():
        assert maker_assortment(by_code()[part_code], colour_code)


@pytest.mark.parametrize("code", MODELS)
def test_about_30_per_cent_of_the_lines_are_flexible(code: Any) -> None:
    _, lists, flexible_lines, _ = model_files(code)
    flexible = flexible_lines.filter(~pl.col("colour_rule").is_in(["as_listed", "undecided"]))["line_number"].n_unique()
    assert 0.25 <= flexible / lists.filter(pl.col("list_version") == 1).height <= 0.35


@pytest.mark.parametrize("code", MODELS)
def test_stated_portions_fit_into_their_lines(code: Any) -> None:
    _, lists, flexible_lines, _ = model_files(code)
    least = lists.group_by("line_number").agg(pl.col("quantity").min().alias("line_quantity"))
    stated = flexible_lines.group_by("line_number", "decided_on").agg(pl.col("quantity").sum().alias("stated"))
    assert stated.join(least, on="line_number").filter(pl.col("stated") >= pl.col("line_quantity")).height == 0


def test_models_are_as_different_as_the_readme_states() -> None:
    files = {code: model_files(code) for code in MODELS}
    first = {code: lists.filter(pl.col("list_version") == 1) for code, (_, lists, _, _) in files.items()}
    assert [first[code].height for code in MODELS] == [24, 48, 80, 120, 180, 255]
    assert first["tram_depot"]["quantity"].sum() == 3100
    assert [code for code in MODELS if len(files[code][0].versions) == 2] == ["steam_crane"]
    assert [code for code in MODELS if files[code][0].copy_count == 2] == ["post_boat"]
    assert {files[code][0].publish_lines for code in MODELS} == {"none", "some", "all"}
    assert len([code for code in MODELS if first[code]["section_code"].drop_nulls().n_unique() > 1]) >= 3
    every = pl.concat([flexible_lines for _, _, flexible_lines, _ in files.values()])
    assert set(every["colour_rule"]) == {"as_listed", "any", "any_one", "one_of", "near", "undecided"}
    assert every.filter(pl.col("portion_number") == 2).height >= 10
    days = sorted(every["decided_on"])
    assert days[0] < date(2025, 1, 1) and days[-1] > date(2026, 7, 1)
    actions = pl.concat([amendments for *_, amendments in files.values()])["amendment_action"]
    assert set(actions) == {"add", "remove"}
    discounts = present(files["tram_depot"][0].instructions).discounts
    assert len([each for each in discounts if each.from_on <= market.LAST_NIGHT <= each.to_on]) == 2


def test_some_lines_leave_the_form_open(tables: Any) -> None:
    open_codes = set(tables["substitutes"].filter(pl.col("substitute_kind") == "resolves_open_form")["part_code"])
    needed = {line.part_code for plan in PLANS for line in lines_of(plan)}
    assert len(needed & open_codes) >= 3


def test_near_reaches_another_colour_than_the_listed_one(tables: Any) -> None:
    """A near rule that reaches no other colour would show nothing."""
    plain = tables["colours"].filter(pl.col("finish") == "plain")
    for colour, reach in decisions._NEAR.items():
        others = distances(plain, [colour]).filter((pl.col("colour_code") != colour) & (pl.col("distance") <= reach))
        assert others.height >= 1, colour


def test_special_elements_are_in_the_models() -> None:
    lines = {plan.code: {(line.part_code, line.colour_code) for line in lines_of(plan)} for plan in PLANS}
    assert NOWHERE in lines["observatory"]
    assert set(USED_ONLY) <= set().union(*lines.values())
    clean = lines["tram_depot"] | lines["harbour_tug"] | lines["post_boat"]
    assert not clean & {NOWHERE, *USED_ONLY}, "their costs compare at equal fill"


def test_every_colour_a_part_comes_in_is_in_the_palette(tables: Any) -> None:
    known = set(tables["colours"]["colour_code"])
    assert all(set(part.colours) <= known and len(set(part.colours)) == len(part.colours) for part in parts())


def test_the_workspace_reader_takes_all_of_it(tmp_path: Path) -> None:
    """The reader also checks the tables against each other."""
    shutil.copytree(WORKSPACE, tmp_path / "workspace")
    inputs = read_workspace(Workspace(tmp_path / "workspace"))
    assert [model.model_code for model in inputs.models] == sorted(MODELS)
    assert inputs.input_files.height == len(files_in(WORKSPACE))
