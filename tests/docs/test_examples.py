"""The guides' examples work: they are valid, make one workspace that can be refreshed, and print what the guides say."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.runs.run_record import Notice, Run
from pipelines.settings import Settings
from pipelines.settings_base import load_toml
from schemas.all_tables import ALL_INPUTS, INBOX
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]


def test_every_input_has_an_example_of_three_lines_and_its_columns(
    table_sections: dict[str, str], table_examples: dict[str, tuple[str, str]]
) -> None:
    assert set(table_sections) == {contract.name for contract in ALL_INPUTS}
    dictionary = (ROOT / "schemas/DICTIONARY.md").read_text(encoding="utf-8")
    for contract in ALL_INPUTS:
        header, *rows = table_examples[contract.name][1].splitlines()
        assert len(rows) == 2, contract.name
        assert set(header.split(",")) <= set(contract.columns), contract.name
        assert f"(../schemas/DICTIONARY.md#{contract.name})" in table_sections[contract.name]
        assert f"### {contract.name}\n" in dictionary


def test_no_block_goes_untested(
    guides: dict[str, str], table_examples: dict[str, tuple[str, str]], toml_examples: dict[str, str]
) -> None:
    """Each CSV block is a table's example or a file that a command is given; the tests below use each TOML block."""
    named = [text for _, text in table_examples.values()]
    for name, guide in guides.items():
        for before, text in re.findall(r"([^\n]*)\n\n```csv\n(.*?)```", guide, re.S):
            assert text in named or re.search(r"`\w+\.csv`:$", before), f"{name}: {text}"
    assert set(toml_examples) == {
        'model_code = "gatehouse"', 'profile_name = "hall"', "[[scenario]]", "[[joint_order]]", "[[watch]]",
        "[[notify]]",
    }  # fmt: skip


def test_the_examples_of_price_files_are_taken_whole(
    workspace: Path,
    table_examples: dict[str, tuple[str, str]],
    source_file: tuple[str, str],
    tmp_path: Path,
    run_command: Callable[..., str],
) -> None:
    for table in (contract.name for contract in INBOX):
        file, text = table_examples[table]
        copy = tmp_path / Path(file).name
        copy.write_text(text, encoding="utf-8")
        assert "2 rows read: 2 accepted, 0 quarantined" in run_command("inspect", copy, "--workspace", workspace)
    copy = tmp_path / source_file[0]
    copy.write_text(source_file[1], encoding="utf-8")
    assert "2 rows read: 2 accepted, 0 quarantined" in run_command("inspect", copy, "--workspace", workspace)


def test_the_draft_finds_what_the_guide_says_it_finds(
    source_file: tuple[str, str], tmp_path: Path, run_command: Callable[..., str]
) -> None:
    copy = tmp_path / source_file[0]
    copy.write_text(source_file[1], encoding="utf-8")
    drafted = run_command("inspect", copy, "--draft-profile")
    for line in (
        "header_line = 2",
        'separator = ";"',
        'decimal = ","',
        'observed_on_in_file_name = "%Y%m%d"',
        'vendor_code = "FILL IN"',
    ):
        assert line in drafted


def test_the_examples_together_can_be_refreshed(
    published: tuple[Path, str], guides: dict[str, str], run_command: Callable[..., str]
) -> None:
    workspace, printed = published
    assert re.search(r"^Gatehouse by the Ford +\d", printed, re.M) and "quarantined" not in printed
    costs = run_command("query", "select count(*) as n from model_cost", "--workspace", workspace, "--format", "csv")
    assert costs.split() == ["n", "5"]
    asked = re.search(
        r"`kitfare (whatif gatehouse [^`]+)` prints:\n\n```text\n(.*?)```", guides["docs/ways-of-buying.md"], re.S
    )
    assert run_command(*present(asked)[1].split(), "--workspace", workspace) == present(asked)[2]


def test_the_published_paths_are_there(published: tuple[Path, str], guides: dict[str, str]) -> None:
    workspace, _ = published
    table = guides["docs/first-model.md"].partition("## What is published")[2]
    paths = [
        "published/" + path for path in re.findall(r"\| `((?:public|private)/[^`]+)`", table.partition("\n### ")[0])
    ]
    assert len(paths) >= 8
    for path in paths:
        assert (workspace / path.replace("<model_code>", "gatehouse")).exists(), path


def settings_with(workspace: Path, folder: Path, block: str) -> Settings:
    """The settings that ``kitfare init`` writes, with a block of a guide below them, loaded."""
    text = (workspace / "kitfare.toml").read_text(encoding="utf-8") + "\n" + block
    (folder / "kitfare.toml").write_text(text, encoding="utf-8")
    return load_toml(folder / "kitfare.toml", Settings)


def test_the_joint_order_is_one_once_both_models_are_there(
    workspace: Path, tmp_path: Path, toml_examples: dict[str, str]
) -> None:
    (order,) = settings_with(workspace, tmp_path, toml_examples["[[joint_order]]"]).joint_order
    assert order.model_codes == ["gatehouse", "ferry"]


def test_the_scenario_of_ones_own_stands_beside_the_built_in_ones(
    workspace: Path, tmp_path: Path, toml_examples: dict[str, str]
) -> None:
    settings = settings_with(workspace, tmp_path, toml_examples["[[scenario]]"])
    assert [scenario.scenario_code for scenario in settings.scenarios][-1] == "few_parcels"
    assert settings.scenarios[-1].use_stock_on_hand and len(settings.scenarios) == 6


def test_those_who_hear_are_taken(workspace: Path, tmp_path: Path, toml_examples: dict[str, str]) -> None:
    by_mail, by_program = settings_with(workspace, tmp_path, toml_examples["[[notify]]"]).notify
    assert by_mail.mail_to and by_mail.about == ["failed", "overdue"] and by_mail.mailer[0] == "/usr/sbin/sendmail"
    assert by_program.command and "watches" in by_program.about and by_program.seconds == 60


def test_the_scenarios_of_the_guide_are_the_built_in_ones(
    workspace: Path, tmp_path: Path, guides: dict[str, str]
) -> None:
    built_in = settings_with(workspace, tmp_path, "").scenarios
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", guides["docs/ways-of-buying.md"], re.M)
    assert rows == [(scenario.scenario_code, scenario.title) for scenario in built_in]


def test_the_watches_watch(
    published: tuple[Path, str], toml_examples: dict[str, str], run_command: Callable[..., str]
) -> None:
    """Put below the settings that `kitfare init` wrote, they are taken, find what they say, and pass it on."""
    workspace, _ = published
    settings = workspace / "kitfare.toml"
    before = settings.read_text(encoding="utf-8")
    plain = re.sub(r"(?ms)^\[watch_news\].*?(?=^\[|^#\[\[|\Z)", "", before)
    settings.write_text(f"{plain}\n{toml_examples['[[watch]]']}", encoding="utf-8")
    printed = run_command("refresh", "--workspace", workspace, "--priced-on", "2026-11-24")
    settings.write_text(before, encoding="utf-8")
    asked = "select watch_code, is_fired from watch_result"
    rows = run_command("query", asked, "--workspace", workspace, "--format", "csv")
    assert {"gatehouse_under_12,true", "scarce,true"} <= set(rows.split()), rows
    assert "watch scarce: gatehouse, home:" in printed
    news = json.loads((workspace / "watch_news.json").read_text(encoding="utf-8"))
    assert {row["watch_code"] for row in news["fired"]} >= {"gatehouse_under_12", "scarce"}
    heard = json.loads((workspace / "heard.jsonl").read_text(encoding="utf-8"))
    assert heard.items() >= news.items() and heard["kind"] == "watches"


@pytest.mark.parametrize(
    ("guide", "heading", "files", "command", "on_standard_error"),
    [
        ("docs/plan-from-files.md", "# Plan from files", ["needs.csv", "offers.csv", "terms.csv"], "plan", ""),
        ("docs/trends-and-reports.md", "## An index straight from a file", ["prices.csv"], "index", "1 of 6 prices are imputed"),
    ],
)  # fmt: skip
def test_a_command_on_files_prints_what_the_guide_says(
    guides: dict[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    guide: str,
    heading: str,
    files: list[str],
    command: str,
    on_standard_error: str,
) -> None:
    section = guides[guide].partition(heading + "\n")[2]
    texts = re.findall(r"`(\w+\.csv)`:\n\n```csv\n(.*?)```", section, re.S)
    assert [name for name, _ in texts] == files
    for name, text in texts:
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    asked, printed = present(
        re.search(rf"`kitfare ({command} --[^`]*)` prints[^\n]*\n[^`]*```text\n(.*?)```", section, re.S)
    ).groups()
    result = CliRunner().invoke(app, asked.split())
    assert result.exit_code == 0
    assert result.stdout == printed
    assert on_standard_error in result.stderr


def test_every_colour_rule_is_explained(guides: dict[str, str], run_command: Callable[..., str]) -> None:
    stated = present(re.search(r"`colour_rule`.*?one of ([^|]+) \|", run_command("dictionary", "flexible_lines")))[1]
    table = guides["docs/flexibility.md"].partition("| colour rule | meaning |")[2].partition("\n\n")[0]
    assert re.findall(r"^\| `(\w+)`", table, re.M) == stated.split(", ")


def test_names_of_tables_columns_settings_and_values_exist(guides: dict[str, str], workspace: Path) -> None:
    """Whatever stands between backticks and looks like a name of ours is one: in the dictionary, the help, the settings or the SQL."""
    known = set()
    for path in (
        ROOT / "schemas/DICTIONARY.md",
        ROOT / "docs/reference/commands.md",
        workspace / "kitfare.toml",
        workspace / "templates/my_model/model.toml",
        *(ROOT / "sql").rglob("*.sql"),
    ):
        known |= set(re.findall(r"\w+", path.read_text(encoding="utf-8")))
    known |= {path.stem for path in (ROOT / "sql").rglob("*.sql")}
    known |= {*Run.__dataclass_fields__, *Notice.__dataclass_fields__}  # of the records in runs/
    elsewhere = {"read_csv", "tram_depot"}  # DuckDB's reader, a model of the demo
    named = {
        (guide, name)
        for guide, text in guides.items()
        if not guide.startswith("docs/reference/")
        for name in re.findall(r"`([a-z]+(?:_[a-z]+)+)`", text)
    }
    assert len(named) > 80
    strange = sorted((guide, name) for guide, name in named if name not in known | elsewhere)
    assert not strange
