"""A workspace is read whole or not at all: each table is checked against its contract, and tables to each other."""

import gzip
import hashlib
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipelines.errors import InputError, KitfareError, SettingsError
from pipelines.intake.archiving import archive
from pipelines.intake.workspace.workspace_files import read_workspace, read_workspace_table
from pipelines.workspace import Workspace
from schemas.all_columns import COLUMNS
from schemas.all_tables import ALL_INPUTS, INBOX, MODEL_FILES, WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.inputs.catalogue import CODE_MAP
from schemas.published.over_time import NIGHTLY_COST
from schemas.published.price_index import INDEX_VINTAGE
from schemas.validate import polars_schema
from tests.builders.files import write_ods, write_xlsx

KITFARE = '[[buyer]]\nbuyer_code = "home"\ntitle = "at home"\nregion_code = "NO"\ncurrency_code = "EUR"\n'
MODEL = 'model_code = "boat"\ntitle = "A boat"\n[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n'
PARTS = (
    "list_version,line_number,part_code,colour_code,quantity,section_code\n1,1,00501,black,4,hull\n1,2,00502,white,2,\n"
)
COLOURS = "colour_code,colour_name,srgb_hex,colour_family\nblack,Black,#000000,greys\nwhite,White,#FFFFFF,greys\n"
VENDORS = "vendor_code,vendor_name,vendor_region_code,currency_code\nnorth,North,NO,EUR\n"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    files = {
        "kitfare.toml": KITFARE,
        "tables/colours.csv": COLOURS,
        "tables/vendors.csv": VENDORS,
        "models/boat/model.toml": MODEL,
        "models/boat/parts.csv": PARTS,
    }
    for name, text in files.items():
        put(tmp_path, name, text)
    return tmp_path


def put(root: Path, name: str, text: str) -> None:
    (root / name).parent.mkdir(parents=True, exist_ok=True)
    (root / name).write_text(text, encoding="utf-8")


def refused(root: Path, *expected: str, kind: type[KitfareError] = InputError) -> KitfareError:
    with pytest.raises(kind) as caught:
        read_workspace(Workspace(root))
    for words in expected:
        assert words in str(caught.value), f"{words!r} not in: {caught.value}"
    assert caught.value.next_step
    return caught.value


def test_a_small_workspace(root: Path) -> None:
    inputs = read_workspace(Workspace(root))
    contracts = (
        *WORKSPACE_TABLES,
        INDEX_VINTAGE,
        NIGHTLY_COST,
    )  # the last two are kitfare's own record of what it published
    assert set(inputs.tables) == {contract.name for contract in contracts}
    for contract in contracts:
        assert inputs.tables[contract.name].schema == polars_schema(contract)
    assert inputs.tables["colours"]["finish"].to_list() == ["plain", "plain"]
    (model,) = inputs.models
    assert model.model_code == "boat" and model.parts_list["part_code"].to_list() == ["00501", "00502"]
    assert model.flexible_lines.height == model.amendments.height == 0
    assert inputs.settings.buyer[0].region_code == "NO"


def test_every_file_read_is_listed_and_archived(root: Path) -> None:
    put(
        root,
        "profiles/hill.toml",
        'profile_name = "hill"\nsource_code = "hill"\ntable = "price_export"\nrecognise = {columns = ["a"]}\n',
    )
    put(root, "inbox/prices.csv", "a\n1\n")
    files = read_workspace(Workspace(root)).input_files
    assert files.select("input_path", "table_name", "row_count").rows() == [
        ("kitfare.toml", "", 0), ("models/boat/model.toml", "", 0), ("models/boat/parts.csv", "parts_list", 2),
        ("profiles/hill.toml", "", 0), ("tables/colours.csv", "colours", 2), ("tables/vendors.csv", "vendors", 1),
    ]  # fmt: skip
    for path, file_hash in files.select("input_path", "file_hash").iter_rows():
        assert hashlib.sha256((root / path).read_bytes()).hexdigest() == file_hash
        assert archive.fetch(file_hash, root / "archive").read_bytes() == (root / path).read_bytes()


def test_reading_twice_gives_the_same_whatever_the_order_of_rows(root: Path) -> None:
    first = read_workspace(Workspace(root))
    lines = COLOURS.splitlines()
    put(root, "tables/colours.csv", "\n".join([lines[0], *lines[:0:-1]]) + "\n")
    second = read_workspace(Workspace(root))
    assert first.tables["colours"].equals(second.tables["colours"])


def test_tables_of_every_kind(root: Path) -> None:
    rows = [line.split(",") for line in COLOURS.splitlines()]
    frame = pl.DataFrame(rows[1:], schema=rows[0], orient="row")
    expected = read_workspace(Workspace(root)).tables["colours"]
    makers: dict[str, Callable[[Path], object]] = {
        "colours.tsv": lambda path: path.write_text(COLOURS.replace(",", "\t")),
        "colours.csv.gz": lambda path: path.write_bytes(gzip.compress(COLOURS.encode())),
        "colours.xlsx": lambda path: write_xlsx(path, {"S": rows}),
        "colours.ods": lambda path: write_ods(path, "S", rows),
        "colours.parquet": frame.write_parquet,
        "colours.jsonl": frame.write_ndjson,
        "colours.csv": lambda path: path.write_bytes(COLOURS.replace(",", ";").encode("utf-16")),
    }
    (root / "tables/colours.csv").unlink()
    for name, make in makers.items():
        make(root / "tables" / name)
        assert read_workspace(Workspace(root)).tables["colours"].equals(expected), name
        (root / "tables" / name).unlink()


@pytest.mark.parametrize("cells", ["", "  ", "x"])
def test_a_nameless_column_is_left_out_when_empty_and_named_when_not(root: Path, cells: str) -> None:
    text = (root / "tables/vendors.csv").read_text().splitlines()
    corrected = [text[0] + ",", *(line + "," + cells for line in text[1:])]
    (root / "tables/vendors.csv").write_text("\n".join(corrected) + "\n")
    if cells.strip():
        with pytest.raises(InputError, match="vendors.csv"):
            read_workspace(Workspace(root))
    else:
        assert read_workspace(Workspace(root)).tables["vendors"].height == len(text) - 1


def test_a_table_that_is_there_twice(root: Path) -> None:
    put(root, "tables/colours.tsv", COLOURS)
    refused(root, "the table colours is there twice: colours.csv, colours.tsv")


def test_a_table_under_a_name_of_none(root: Path) -> None:
    put(root, "tables/README.md", "notes are fine")
    put(root, "tables/.~lock.colours.csv", "so are locks")
    read_workspace(Workspace(root))
    put(root, "tables/vendor_term.csv", "a\n1\n")
    refused(root, "vendor_term.csv is not a table kitfare knows", "vendor_terms")
    (root / "tables/vendor_term.csv").unlink()
    put(root, "models/boat/flexibility.csv", "a\n1\n")
    refused(root, "flexibility.csv is not a table", "models/boat/flexibility.csv")


def bad_text(name: str) -> str:
    column = COLUMNS[name]
    if column.allowed or column.pattern == "#RRGGBB":
        return "no such value"
    return {"integer": "3.5", "price": "1,25", "number": "half", "date": "31.10.2026", "flag": "maybe"}.get(
        column.kind, ""
    )


@pytest.mark.parametrize("contract", [*WORKSPACE_TABLES, *MODEL_FILES], ids=lambda contract: contract.name)
def test_a_bad_row_of_every_contract_stops_the_workspace(root: Path, contract: Contract) -> None:
    names = {"parts_list": "parts"}.get(contract.name, contract.name)
    path = f"models/boat/{names}.csv" if contract in MODEL_FILES else f"tables/{names}.csv"
    good = {
        "code": "a1", "text": "words", "integer": "3", "price": "1.25", "number": "0.5", "date": "2026-10-31", "flag": "true", "code_list": "a",
    }  # fmt: skip
    row = {}
    for name in contract.columns:
        column = COLUMNS[name]
        row[name] = (
            column.allowed[0] if column.allowed else "EUR" if name.endswith("currency_code") else good[column.kind]
        )
        row[name] = "#000000" if column.pattern == "#RRGGBB" else row[name]
    spoilt = next((name for name in contract.columns if bad_text(name)), contract.columns[0])
    put(root, path, ",".join(contract.columns) + "\n" + ",".join({**row, spoilt: bad_text(spoilt)}.values()) + "\n")
    refused(root, path, "line 2", spoilt)
    put(root, path, ",".join(contract.columns[1:]) + "\n" + ",".join(list(row.values())[1:]) + "\n")
    if contract.columns[0] in contract.required:
        refused(root, f"lacks the columns {contract.columns[0]}")
    put(root, path, ",".join([*contract.columns, "stray"]) + "\n" + ",".join([*row.values(), "x"]) + "\n")
    refused(root, "does not know: stray")
    put(root, path, ",".join(contract.columns) + "\n" + ",".join(row.values()) + ",x\n")
    refused(root, "do not fit its header", "line 2")


def test_all_contracts_of_inputs_are_covered() -> None:
    assert {contract.name for contract in ALL_INPUTS} == {
        contract.name for contract in (*INBOX, *WORKSPACE_TABLES, *MODEL_FILES)
    }


def test_a_key_that_repeats(root: Path) -> None:
    put(root, "tables/colours.csv", COLOURS + "black,Ink,#010101,greys\n")
    refused(root, "another row has the same colour_code", "line 2", "line 4")


def test_settings_that_make_no_sense(root: Path) -> None:
    put(root, "kitfare.toml", KITFARE + "[refresh]\nstale_days = 3\n")
    refused(root, "kitfare.toml", "stale_days", kind=SettingsError)
    put(root, "kitfare.toml", KITFARE)
    put(root, "profiles/a.toml", "profile_name = 3\n")
    refused(root, "a.toml", kind=SettingsError)


TERMS = "vendor_code\nnorth\n"
FLEXIBLE_LINES = "line_number,portion_number,quantity,colour_rule,accept_colour_codes,refuse_colour_codes,group_code,near_distance,accept_conditions,decided_on\n"
AMENDMENTS = "line_number,amendment_action,part_code,colour_code,quantity,colour_rule,valid_from_on\n"


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("tables/vendor_terms.csv", "vendor_code\nnorth\nsouth\n", ("vendor_code names what tables/vendors does not have", "line 3 (vendor_code 'south')")),
        ("tables/handling_charges.csv", "vendor_code,assortment_code,handling_charge\nsouth,a,1\n", ("line 2 (vendor_code 'south')",)),
        ("tables/vendor_closures.csv", "vendor_code,closed_from_on\nsouth,2026-12-19\n", ("line 2 (vendor_code 'south')",)),
        ("tables/vendor_closures.csv", "vendor_code,closed_from_on,opens_again_on\nnorth,2026-12-19,2026-12-19\n", ("open again before", "line 2")),
        ("tables/vendor_closures.csv", "vendor_code,closed_from_on\nnorth,soon\n", ("closed_from_on", "soon")),
        ("tables/shipping_steps.csv", "vendor_code,step_basis,step_from,step_charge\nsouth,goods_value,0,1\n", ("line 2 (vendor_code 'south')",)),
        ("tables/shipping_steps.csv", "vendor_code,step_basis,step_from,step_to,step_charge\nnorth,goods_value,5,5,1\n", ("end before they begin", "line 2")),
        ("tables/shipping_steps.csv", "vendor_code,step_basis,step_from,step_to,step_charge\nnorth,weight_grams,0,250,1\nnorth,weight_grams,251,500,2\n", ("do not follow on one another", "line 2 (step_to 250")),
        ("tables/shipping_steps.csv", "vendor_code,step_basis,step_from,step_to,step_charge\nnorth,weight_grams,0,250,1\nnorth,weight_grams,200,500,2\n", ("do not follow on one another", "line 2 (step_to 250")),
        ("tables/shipping_steps.csv", "vendor_code,step_basis,step_from,step_to,step_charge\nnorth,weight_grams,50,,1\nnorth,weight_grams,0,,2\n", ("do not follow on one another", "line 3 (step_to is empty)")),
        ("tables/vendor_closures.csv", "vendor_code,closed_from_on,opens_again_on\nnorth,2026-12-19,2026-12-01\n", ("(opens_again_on 2026-12-01)",)),
        ("tables/vendor_terms.csv", "vendor_code,discount_pct\nnorth,101\n", ("discount_pct", "from 0 to 100")),
        ("tables/substitutes.csv", "part_code,substitute_part_code\n1,1\n", ("are their own substitutes", "line 2")),
        ("models/boat/parts.csv", PARTS + "1,3,00503,pink,1,\n", ("colour_code names what tables/colours does not have", "line 4 (colour_code 'pink')")),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,one_of,white;pink,,,,new,\n", ("accept_colour_codes names", "line 2")),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,any,,white; mauve,,,new,\n", ("refuse_colour_codes names", "'white; mauve'")),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "9,1,,any,,,,,new,\n", ("lines that no version", "line_number 9")),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,3,any,,,,,new,\n1,2,2,as_listed,,,,,new,\n", ("more pieces than their line has", "line 2", "line 3")),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,any,,,,,new,\n1,2,,as_listed,,,,,new,\n", ("leave their quantity empty",)),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,any_one,,,,,new,\n", ("any_one lack the group",)),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,one_of,,,,,new,\n", ("one_of lack the colours allowed",)),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,near,,,,,new,\n", ("near lack the largest distance",)),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,,any,,,,,new;old,\n", ("neither new nor used", "'new;old'")),
        ("models/boat/amendments.csv", AMENDMENTS + "2,add,00501,black,1,any,\n", ("a number that the parts list uses", "line_number 2")),
        ("models/boat/amendments.csv", AMENDMENTS + "7,remove,,,1,any,\n", ("not in the parts list", "line_number 7")),
        ("models/boat/amendments.csv", AMENDMENTS + "7,add,,black,1,any,\n", ("lack their part",)),
        ("models/boat/amendments.csv", AMENDMENTS + "7,add,00501,,1,as_listed,\n", ("lack the colour",)),
        ("models/boat/amendments.csv", AMENDMENTS + "7,add,00501,pink,1,any,\n", ("colour_code names", "'pink'")),
    ],
)  # fmt: skip
def test_tables_that_contradict_each_other(root: Path, name: str, text: str, expected: tuple[str, ...]) -> None:
    put(root, name, text)
    refused(root, name, *expected)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("tables/vendor_terms.csv", TERMS),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,3,any,,white,,,new;used,2026-01-01\n1,2,1,near,,,,5.5,new,2026-01-01\n1,1,4,one_of,white; black,,,,used,2026-02-01\n"),
        ("models/boat/flexible_lines.csv", FLEXIBLE_LINES + "1,1,2,any_one,,,g,,new,\n1,2,,any_one,,,g,,new,\n"),
        ("models/boat/amendments.csv", AMENDMENTS + "7,add,00501,,1,any,\n1,remove,,,1,any,\n7,remove,,,1,any,2026-03-01\n"),
    ],
)  # fmt: skip
def test_tables_that_do_not(root: Path, name: str, text: str) -> None:
    put(root, name, text)
    read_workspace(Workspace(root))


def test_flexible_lines_may_be_of_added_lines_and_as_large_as_the_largest_version(root: Path) -> None:
    put(root, "models/boat/model.toml", MODEL + "[[versions]]\nlist_version = 2\nreleased_on = 2026-05-01\n")
    put(root, "models/boat/parts.csv", PARTS + "2,1,00501,black,9,\n")
    put(root, "models/boat/amendments.csv", AMENDMENTS + "7,add,00501,,3,any,\n")
    put(root, "models/boat/flexible_lines.csv", FLEXIBLE_LINES + "7,1,3,any,,,,,new,\n1,1,9,any,,,,,new,\n")
    read_workspace(Workspace(root))
    put(root, "models/boat/flexible_lines.csv", FLEXIBLE_LINES + "7,1,4,any,,,,,new,\n1,1,10,any,,,,,new,\n")
    refused(root, "line 2 (quantity 4), line 3 (quantity 10)")


JOINT = (
    '[[joint_order]]\njoint_order_code = "both"\ntitle = "Both"\nmodel_codes = ["boat", "raft"]\nbuyer_code = "home"\n'
)


@pytest.mark.parametrize(
    ("order", "message"),
    [
        (JOINT, "the joint order both names models that are not there: raft"),
        (JOINT.replace("home", "away"), "names the buyer away, but there are only: home"),
        (JOINT.replace("raft", "boat"), "model_codes names a model twice"),
        (JOINT.replace(', "raft"', ""), "joint_order #1.model_codes"),
        (JOINT + 'scenario_code = "bst"\n', "names the scenario bst, but there are only: listed, flexible"),
        (JOINT + 'scenario_code = "maker_first"\n', "with maker = all_it_has"),
        (JOINT + JOINT, "two joint orders are called both"),
    ],
)
def test_joint_orders_that_make_no_sense(root: Path, order: str, message: str) -> None:
    put(root, "kitfare.toml", KITFARE + order)
    refused(root, message, "kitfare.toml", kind=SettingsError)


@pytest.mark.parametrize("rule", ["forced_vendors", "preferred_vendors", "forbidden_vendors", "only_vendors"])
def test_scenarios_of_vendors_that_are_not_there(root: Path, rule: str) -> None:
    scenario = f'[[scenario]]\nscenario_code = "mine"\ntitle = "Mine"\n{rule} = ["north"]\n'
    put(root, "kitfare.toml", KITFARE + scenario)
    assert read_workspace(Workspace(root)).settings.scenario
    put(root, "kitfare.toml", KITFARE + scenario.replace('"north"', '"north", "nroth"'))
    expected = ("the scenario mine names vendors that are not there: nroth", rule, "tables/vendors.csv")
    refused(root, *expected, kind=SettingsError)


def test_a_joint_order_of_models_that_are_there(root: Path) -> None:
    put(root, "models/raft/model.toml", MODEL.replace("boat", "raft"))
    put(root, "models/raft/parts.csv", PARTS)
    put(root, "kitfare.toml", KITFARE + JOINT)
    (order,) = read_workspace(Workspace(root)).settings.joint_order
    assert (order.scenario_code, order.use_stock_on_hand, order.effort) == ("cheapest", True, "standard")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (MODEL.replace("boat", "ship"), "model_code is 'ship', but the folder is called 'boat'"),
        (
            MODEL + "[[versions]]\nlist_version = 2\nreleased_on = 2026-05-01\n",
            "dates the versions 1, 2, but the parts list has 1",
        ),
        (MODEL + "[[versions]]\nlist_version = 1\nreleased_on = 2026-05-01\n", "dates the versions 1, 1"),
        ("maker_lines = [1, 9]\n" + MODEL, "maker_lines names 9"),
        ('skip_sections = ["hull", "mast"]\n' + MODEL, "skip_sections names mast"),
        (MODEL + "colour = 3\n", "colour"),
    ],
)
def test_model_settings_that_do_not_fit(root: Path, text: str, message: str) -> None:
    put(root, "models/boat/model.toml", text)
    refused(root, message, "boat/model.toml", kind=SettingsError)


def test_a_parts_list_without_lines_is_called_that(root: Path) -> None:
    put(root, "models/boat/parts.csv", "line_number,part_code,colour_code,quantity\n")
    refused(root, "the parts list of boat has no lines", "models/boat/parts.csv")


def test_a_model_folder_without_its_files(root: Path) -> None:
    (root / "models/boat/parts.csv").unlink()
    refused(root, "the model boat has no parts list")
    (root / "models/boat/model.toml").unlink()
    refused(root, "model.toml is missing", kind=SettingsError)


def test_model_codes_that_differ_in_case_only(root: Path) -> None:
    put(root, "models/Boat/model.toml", MODEL.replace("boat", "Boat"))
    put(root, "models/Boat/parts.csv", PARTS)
    refused(root, "Boat and boat differ in upper and lower case only")


def test_a_workspace_without_models_or_tables(tmp_path: Path) -> None:
    put(tmp_path, "kitfare.toml", KITFARE)
    inputs = read_workspace(Workspace(tmp_path))
    assert inputs.models == () and inputs.tables["colours"].is_empty() and inputs.input_files.height == 1


def test_an_unreadable_table_names_itself(root: Path) -> None:
    (root / "tables/colours.csv").write_bytes(b"")
    refused(root, "the file is empty", "tables/colours.csv")


def test_the_code_map_alone_archives_nothing(root: Path) -> None:
    assert read_workspace_table(Workspace(root), CODE_MAP).is_empty()
    put(root, "tables/code_map.csv", "source_code,source_part_code,part_code\nhill,A1,00501\n")
    assert read_workspace_table(Workspace(root), CODE_MAP)["part_code"].to_list() == ["00501"]
    assert not (root / "archive").exists()


def test_the_demo_workspace(tmp_path: Path) -> None:
    import shutil

    from pipelines.resources import resource_folder

    shutil.copytree(resource_folder("demo_inputs") / "workspace", tmp_path / "demo")
    assert read_workspace(Workspace(tmp_path / "demo")).models
