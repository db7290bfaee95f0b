"""Rows too many in the user's own tables: refused with their lines, or said, and never at the cost of another row."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.refresh import refresh
from pipelines.flows.runs import run_record
from pipelines.workspace import Workspace
from schemas.all_tables import WORKSPACE_TABLES
from tests.builders.faulty_workspaces import CLOCKS, copied
from tests.builders.workspaces import export, make_workspace

HASH = "ab" * 32
GOOD = {
    "colours": "red,Red,#C01010,red,plain",
    "parts": "00501,Small block,,,,,",
    "vendors": "south,South,independent,home,EUR",
    "vendor_terms": "south,*,1900-01-01,6",
    "substitutes": "00502,00503,other_form,equal,1900-01-01,",
    "combinations": "00502,pair,00501,2,1900-01-01,",
    "code_map": "hall,B-1,00501,1900-01-01,false",
    "element_status": "00501,red,current,1900-01-01,",
    "stock_on_hand": "00501,red,new,2",
    "vendor_closures": "south,2027-01-01,2027-02-01,away",
    "shipping_steps": "south,*,1900-01-01,goods_value,0,,1",
    "handling_charges": "south,loft,1900-01-01,1,",
    "border_charges": "home,home,1900-01-01,EUR,0,1,0",
    "exchange_rates": "2026-10-31,USD,EUR,0.9",
    "accepted_exports": f"{HASH},2026-10-31,",
    "withdrawn_files": f"{HASH},2026-10-31,",
    "source_corrections": "south,00501,*,2026-01-01,2026-01-02,multiply_price,2,,,,,2026-10-31,a slip",
    "confirmed_prices": "south,00501,red,new,,0.12,1900-01-01,",
    "models/hut/parts": "1,2,00502,blue,4,",
    "models/hut/flexible_lines": "1,1,,any,,,,,,,1900-01-01,,",
    "models/hut/amendments": "9,add,00502,blue,1,any,1900-01-01,",
}
"""A row of each table that makes sense, with as many cells as it needs."""

OTHER_CELL = {
    "colours": (1, "Crimson"), "parts": (1, "Other block"), "vendors": (1, "Other"), "vendor_terms": (3, "7"),
    "substitutes": (3, "weaker"), "combinations": (3, "3"), "code_map": (2, "00502"), "element_status": (2, "retired"),
    "stock_on_hand": (3, "5"), "vendor_closures": (2, "2027-03-01"), "shipping_steps": (6, "2"),
    "handling_charges": (3, "2"), "border_charges": (5, "2"), "exchange_rates": (3, "0.8"), "accepted_exports": (2, "other"),
    "withdrawn_files": (2, "other"), "source_corrections": (6, "3"), "confirmed_prices": (7, "other"),
    "models/hut/parts": (4, "5"), "models/hut/flexible_lines": (3, "as_listed"), "models/hut/amendments": (4, "2"),
}  # fmt: skip
"""What another row of the same key differs in: the cell and its value."""

UNKNOWN = {
    "colours": ("Red,Another red,#C01010,red,plain", "'Red' counts as another code than 'red'"),
    "parts": ("0050A,Unknown,,,,,", ""),
    "vendors": ("west,West,independent,far,USD", "vendor_code names what tables/vendor_terms has no row of"),
    "substitutes": ("99999,99998,other_form,equal,1900-01-01,", "substitute_part_code names what no parts list"),
    "combinations": ("99999,pair,99998,2,1900-01-01,", "component_part_code names what no parts list"),
    "code_map": ("nowhere,B-1,99999,1900-01-01,false", "part_code names what no parts list"),
    "element_status": ("99999,mauve,current,1900-01-01,", "colour_code names what tables/colours does not have"),
    "stock_on_hand": ("00501,mauve,new,2", "such pieces serve no model"),
    "border_charges": ("mars,venus,1900-01-01,EUR,0,1,0", "vendor_region_code names what no row of tables/vendors has"),
    "exchange_rates": ("2026-10-31,JPY,CHF,0.9", ""),
    "accepted_exports": (f"{'cd' * 32},2026-10-31,", "no file that was taken in has the hash cdcd"),
    "withdrawn_files": (f"{'cd' * 32},2026-10-31,", "no file that was taken in has the hash cdcd"),
    "source_corrections": (
        "nobody,99999,mauve,2026-01-01,2026-01-02,drop,,,,,,2026-10-31,a slip",
        "vendor_code names what tables/vendors does not have",
    ),
    "confirmed_prices": ("nobody,99999,mauve,new,,0.12,1900-01-01,", "colour_code names what tables/colours"),
    "models/hut/parts": ("1,3,99999,red,1,", "part_code names what tables/parts does not have"),
    "models/hut/amendments": ("10,add,99999,red,1,any,1900-01-01,", "part_code names what tables/parts does not have"),
}
"""Rows that name what nothing else has, and what is said of them; empty where nothing need be said of a new name."""

REFUSED = {
    "vendor_terms": "nobody,*,1900-01-01,6",
    "vendor_closures": "nobody,2027-01-01,2027-02-01,away",
    "shipping_steps": "nobody,*,1900-01-01,goods_value,0,,1",
    "handling_charges": "nobody,loft,1900-01-01,1,",
    "vendors": "South,Other South,independent,home,EUR",
    "border_charges": "*,home,1900-01-01,SEK,0,1,0",
    "exchange_rates": "2026-10-31,EUR,USD,0.9",
    "models/hut/parts": "1,3,00501,mauve,1,",
    "models/hut/flexible_lines": "7,1,,any,,,,,,,1900-01-01,,",
    "models/hut/amendments": "7,remove,,,1,any,1900-01-01,",
}
"""Rows that name what there must be, or contradict another row."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A workspace with a row in every table, refreshed. Tests put back what they change."""
    place = make_workspace(tmp_path_factory.mktemp("own") / "space")
    folder = place.models / "hut"
    (folder / "parts.csv").write_text(
        "list_version,line_number,part_code,colour_code,quantity,section_code\n1,1,00501,red,10,\n"
    )
    (folder / "flexible_lines.csv").write_text(
        "line_number,portion_number,quantity,colour_rule,accept_colour_codes,refuse_colour_codes,group_code,near_distance,"
        "accept_conditions,is_load_bearing,decided_on,decided_by,reason\n"
    )
    (folder / "amendments.csv").write_text(
        "line_number,amendment_action,part_code,colour_code,quantity,colour_rule,valid_from_on,reason\n"
    )
    for contract in WORKSPACE_TABLES:
        path = place.tables / f"{contract.name}.csv"
        if contract.name not in ("colours", "vendors"):
            path.write_text(",".join(contract.columns) + "\n")
    for name in ("colours", "vendors"):
        rows = path_of(place, name).read_text().splitlines(keepends=True)
        path_of(place, name).write_text("".join(row for row in rows if not row.startswith(("red,", "south,"))))
    with path_of(place, "parts").open("a") as stream:
        stream.write("00502,Long block,,,,,\n00503,Other long block,,,,,\n")
    with path_of(place, "vendor_terms").open("a") as stream:
        stream.write("north,*,1900-01-01,4" + "," * 14 + "\n")
    for name, row in GOOD.items():
        add(place, name, row)
    (place.inbox / "more.csv").write_text(
        export("south", "2026-10-31", ("00503", "red", "0.2", 9)).replace("full", "partial")
    )
    refresh(place)
    return place


def path_of(place: Any, name: str) -> Path:
    folder = place.root if name.startswith("models/") else place.tables
    return Path(folder / f"{name}.csv")


def add(place: Any, name: str, row: str) -> int:
    """Append a row, filled up with empty cells; returns its line."""
    path = path_of(place, name)
    lines = path.read_text().splitlines()
    missing = lines[0].count(",") - row.count(",")
    path.write_text("\n".join([*lines, row + "," * missing]) + "\n")
    return len(lines) + 1


@pytest.fixture
def again(place: Any) -> Iterator[Any]:
    """The workspace; afterwards its tables are as before."""
    before = {name: path_of(place, name).read_bytes() for name in GOOD}
    yield place
    for name, content in before.items():
        path_of(place, name).write_bytes(content)


def is_refused(place: Any, name: str, line: int) -> None:
    """A refresh ends with exit 3, names file and line, and what is published stays."""
    published = place.published.readlink()
    result = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
    relative = path_of(place, name).relative_to(place.root).as_posix()
    assert result.exit_code == 3, result.output
    assert relative in result.output and f"line {line}" in " ".join(result.output.split()), result.output
    assert place.published.readlink() == published and (place.private / "index.html").is_file()


def test_every_table_is_tried() -> None:
    tables = {contract.name for contract in WORKSPACE_TABLES}
    own = {f"models/hut/{name}" for name in ("parts", "flexible_lines", "amendments")}
    assert set(GOOD) == set(OTHER_CELL) == tables | own == set(UNKNOWN) | set(REFUSED)


@pytest.mark.parametrize("name", GOOD)
def test_a_row_twice_is_refused(again: Any, name: str) -> None:
    is_refused(again, name, add(again, name, GOOD[name]))


@pytest.mark.parametrize("name", GOOD)
def test_another_row_of_the_same_key_is_refused(again: Any, name: str) -> None:
    cells = GOOD[name].split(",")
    number, value = OTHER_CELL[name]
    assert cells[number] != value
    cells[number] = value
    is_refused(again, name, add(again, name, ",".join(cells)))


@pytest.mark.parametrize("name", REFUSED)
def test_a_row_that_contradicts_another_or_names_what_must_be_there_is_refused(again: Any, name: str) -> None:
    is_refused(again, name, add(again, name, REFUSED[name]))


@pytest.mark.parametrize(
    ("kind", "rest"),
    [("buyer", 'region_code = "far"\ncurrency_code = "EUR"\n'), ("scenario", "use_substitutes = false\n")],
)
def test_two_buyers_or_two_ways_of_buying_of_one_code_are_refused(place: Any, kind: str, rest: str) -> None:
    """The second of two scenarios would silently replace the first."""
    settings = place.root / "kitfare.toml"
    before = settings.read_text()
    try:
        ones = "".join(f'\n[[{kind}]]\n{kind}_code = "{code}"\ntitle = "One"\n{rest}' for code in ("own", "Own"))
        settings.write_text(before + ones)
        result = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
        assert result.exit_code == 3 and "are called own and Own" in " ".join(result.output.split()), result.output
    finally:
        settings.write_text(before)


def test_a_copied_record_of_a_nights_costs_is_refused(place: Any) -> None:
    (record,) = (place.root / "night_costs").iterdir()
    copy = record.with_name(f"{record.stem} (copy).csv")
    copy.write_bytes(record.read_bytes())
    try:
        result = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
        assert result.exit_code == 3 and f"two files have the costs of {record.stem}" in result.output, result.output
    finally:
        copy.unlink()


def published(place: Any) -> dict[str, list[tuple[Any, ...]]]:
    """Every published row, without what names the refresh or its times."""
    found = {}
    for path in sorted((place.private / "tables").glob("*.parquet")):
        if path.stem not in ("input_file", "refresh_run"):
            frame = pl.read_parquet(path)
            found[path.stem] = frame.drop("refresh_id", *CLOCKS.get(path.stem, []), strict=False).rows()
    return found


def missing_vendors(messages: list[str]) -> list[str]:
    """Messages about vendors of price files that tables/vendors does not have."""
    return [text for text in messages if "lacks vendors of price files" in text or "not in tables/vendors" in text]


def test_rows_that_name_what_nothing_has_are_said_and_cost_no_other_row(place: Any, tmp_path: Path) -> None:
    copy = Workspace(copied(place, tmp_path / "copy"))
    before = published(copy)
    assert sum(map(len, before.values())) > 100
    # These give the model more lines, which changes its cost; all others change nothing that is published.
    own = ("models/hut/parts", "models/hut/amendments")
    lines = {name: add(copy, name, row) for name, (row, _) in UNKNOWN.items() if name not in own}
    outcome = refresh(copy)
    assert outcome.published
    after = published(copy)
    lost = {name: [row for row in rows if row not in after[name]] for name, rows in before.items()}
    assert not {name: rows for name, rows in lost.items() if rows}
    for name in lines:
        is_said(copy, outcome.messages, name)

    for name in own:
        add(copy, name, UNKNOWN[name][0])
    outcome = refresh(copy)
    for name in own:
        is_said(copy, outcome.messages, name)
    (copy.inbox / "nobody.csv").write_text(export("nobody", "2026-10-31", ("00501", "red", "0.01", 99)))
    outcome = refresh(copy)
    [said] = missing_vendors(outcome.messages)
    assert said.startswith("nobody.csv: accepted, but look at nobody: its vendor is not in tables/vendors")
    run_record.mark_shown(copy, outcome.run_number)
    [said] = missing_vendors(refresh(copy).messages)
    assert said == "tables/vendors lacks vendors of price files: nobody; no plan uses their offers"
    planned = {row[:1] for row in published(copy)["model_cost"]}
    assert planned == {row[:1] for row in before["model_cost"]}
    unfilled = pl.read_parquet(copy.private / "tables" / "unfilled_line.parquet")
    assert {3, 10} <= set(unfilled["line_number"]), "lines of unknown parts are in the plans, as unfilled ones"


def is_said(place: Any, messages: list[str], name: str) -> None:
    words = UNKNOWN[name][1]
    path = path_of(place, name).relative_to(place.root).as_posix().removesuffix(".csv")
    assert not words or any(path in message and words in message for message in messages), (name, messages)
