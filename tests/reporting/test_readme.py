"""The README's own words: its examples make a workspace that works, and it names every input there is."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import EXIT_CODES, app
from pipelines.settings import Settings, load_toml
from schemas.inputs import ALL_INPUTS, INBOX
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^#### (\w+)\n\n(.*?)(?=^#|\Z)", README, re.M | re.S))
TOML = re.findall(r"```toml\n(.*?)```", README, re.S)
MODEL_TOML, PROFILE_TOML, JOINT_TOML = (
    next(text for text in TOML if text.startswith(start)) for start in ("model_code", "profile_name", "[[joint_order]]")
)
SOURCE_FILE = re.search(r"`(hall_\d+\.csv)`:\n\n```text\n(.*?)```", README, re.S)


def run(*arguments: Any) -> Any:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == 0, result.output
    return result.output


def example(name: Any) -> Any:
    """The file an example stands for, and its text."""
    return present(re.match(r"`([^`]+)`", SECTIONS[name]))[1], present(
        re.search(r"```csv\n(.*?)```", SECTIONS[name], re.S)
    )[1]


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A workspace of nothing but the README's examples."""
    place = tmp_path_factory.mktemp("readme") / "my-models"
    run("init", place)
    (place / "models/gatehouse").mkdir()
    for name in SECTIONS:
        file, text = example(name)
        (place / file).write_text(text, encoding="utf-8")
    (place / "models/gatehouse/model.toml").write_text(MODEL_TOML, encoding="utf-8")
    (place / "profiles/hall.toml").write_text(PROFILE_TOML, encoding="utf-8")
    (place / "inbox" / present(SOURCE_FILE)[1]).write_text(present(SOURCE_FILE)[2], encoding="utf-8")
    return place


def test_every_input_has_an_example_of_three_lines_and_its_columns() -> None:
    assert list(SECTIONS) and set(SECTIONS) == {contract.name for contract in ALL_INPUTS}
    dictionary = (ROOT / "schemas/DICTIONARY.md").read_text(encoding="utf-8")
    for contract in ALL_INPUTS:
        header, *rows = example(contract.name)[1].splitlines()
        assert len(rows) == 2
        assert set(header.split(",")) <= set(contract.columns)
        assert f"(schemas/DICTIONARY.md#{contract.name})" in SECTIONS[contract.name]
        assert f"### {contract.name}\n" in dictionary


def test_the_examples_of_price_files_are_taken_whole(workspace: Any) -> None:
    files = [workspace / example(contract.name)[0] for contract in INBOX] + [
        workspace / "inbox" / present(SOURCE_FILE)[1]
    ]
    for file in files:
        assert "2 rows read: 2 accepted, 0 held" in run("inspect", file, "--workspace", workspace)


def test_the_draft_finds_what_the_readme_says_it_finds(workspace: Any) -> None:
    drafted = run("inspect", workspace / "inbox" / present(SOURCE_FILE)[1], "--draft-profile")
    for line in (
        "header_line = 2",
        'separator = ";"',
        'decimal = ","',
        'observed_on_in_file_name = "%Y%m%d"',
        'vendor_code = "FILL IN"',
    ):
        assert line in drafted


def test_the_examples_together_can_be_refreshed(workspace: Any) -> None:
    told = run("refresh", "--workspace", workspace, "--priced-on", "2026-11-24")
    assert re.search(r"^Gatehouse by the Ford +\d", told, re.M) and "held" not in told
    published = run("query", "select count(*) as n from model_cost", "--workspace", workspace, "--format", "csv")
    assert published.split() == ["n", "5"]
    asked = re.search(r"`kitfare (whatif gatehouse [^`]+)` prints:\n\n```text\n(.*?)```", README, re.S)
    assert run(*present(asked)[1].split(), "--workspace", workspace) == present(asked)[2]


def test_the_joint_order_is_one_once_both_models_are_there(workspace: Any, tmp_path: Path) -> None:
    settings = (workspace / "kitfare.toml").read_text(encoding="utf-8") + "\n" + JOINT_TOML
    (tmp_path / "kitfare.toml").write_text(settings, encoding="utf-8")
    (order,) = load_toml(tmp_path / "kitfare.toml", Settings).joint_order
    assert order.model_codes == ["gatehouse", "ferry"]


def test_the_watches_of_the_readme_watch(workspace: Any) -> None:
    """Put below the settings that `kitfare init` wrote, they are taken, find what they say, and pass it on."""
    settings = workspace / "kitfare.toml"
    before = settings.read_text(encoding="utf-8")
    plain = re.sub(r"(?ms)^\[watch_news\].*?(?=^\[|^#\[\[|\Z)", "", before)
    settings.write_text(f"{plain}\n{next(text for text in TOML if '[[watch]]' in text)}", encoding="utf-8")
    told = run("refresh", "--workspace", workspace, "--priced-on", "2026-11-24")
    rows = run("query", "select watch_code, is_fired from watch_result", "--workspace", workspace, "--format", "csv")
    assert {"gatehouse_under_12,true", "scarce,true"} <= set(rows.split()), rows
    assert "watch scarce: gatehouse, home:" in told
    news = json.loads((workspace / "watch_news.json").read_text(encoding="utf-8"))
    assert {row["watch_code"] for row in news["fired"]} >= {"gatehouse_under_12", "scarce"}
    assert json.loads((workspace / "heard.jsonl").read_text(encoding="utf-8")) == news
    settings.write_text(before, encoding="utf-8")


def test_exit_codes_are_all_told() -> None:
    table = README.partition("## Exit codes")[2].partition("## Cautions")[0]
    stated = {code for code, _ in re.findall(r"^\| (\d+) \| (.+) \|$", table, re.M)}
    assert stated == set(re.findall(r"\b(\d+) [a-z]", EXIT_CODES))


def test_links_lead_somewhere_and_the_picture_is_small() -> None:
    links = [link for link in re.findall(r"\]\(([^)#]+)", README) if not link.startswith("http")]
    assert links and all((ROOT / link).exists() for link in links)
    assert (ROOT / "reports/sample/tram_depot.png").stat().st_size < 150_000
    headings = {re.sub(r"\W+", "-", h.lower()) for h in re.findall(r"^#+ (.+)$", README, re.M)}
    assert set(re.findall(r"\]\(#([^)]+)\)", README)) <= headings
