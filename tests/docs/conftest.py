"""What the guides say, and a workspace made of nothing but their examples."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def guides() -> dict[str, str]:
    """The text of the README and of every guide, by path from the root."""
    paths = [ROOT / "README.md", ROOT / "SECURITY.md", *sorted((ROOT / "docs").rglob("*.md"))]
    return {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in paths}


@pytest.fixture(scope="session")
def run_command() -> Callable[..., str]:
    """Run a command in this process and return all that it prints; it must succeed."""

    def run(*arguments: object) -> str:
        result = CliRunner().invoke(app, [str(argument) for argument in arguments])
        assert result.exit_code == 0, result.output
        return result.output

    return run


@pytest.fixture(scope="session")
def table_sections(guides: dict[str, str]) -> dict[str, str]:
    """The sections whose heading is the name of a table, by that name, from all guides."""
    found = {}
    for name, text in guides.items():
        if name.startswith("docs/reference/"):
            continue
        for table, body in re.findall(r"^### (\w+)\n\n(.*?)(?=^#|\Z)", text, re.M | re.S):
            assert table not in found, f"{table} is described twice"
            found[table] = body
    return found


@pytest.fixture(scope="session")
def table_examples(table_sections: dict[str, str]) -> dict[str, tuple[str, str]]:
    """The file that each table's example stands for, and its text, by table."""
    return {
        table: (present(re.match(r"`([^`]+)`", body))[1], present(re.search(r"```csv\n(.*?)```", body, re.S))[1])
        for table, body in table_sections.items()
    }


@pytest.fixture(scope="session")
def toml_examples(guides: dict[str, str]) -> dict[str, str]:
    """Every TOML block of the guides, by its first line."""
    blocks = [
        block for name, text in guides.items() if name != "README.md"
        for block in re.findall(r"```toml\n(.*?)```", text, re.S)
    ]  # fmt: skip
    found = {block.splitlines()[0]: block for block in blocks}
    assert len(found) == len(blocks), "two blocks begin with the same line"
    return found


@pytest.fixture(scope="session")
def source_file(guides: dict[str, str]) -> tuple[str, str]:
    """The name and the text of the vendor's file for which the guide writes a profile."""
    shown = re.search(r"`(hall_\d+\.csv)`:\n\n```text\n(.*?)```", guides["docs/profiles-and-inbox.md"], re.S)
    return present(shown)[1], present(shown)[2]


@pytest.fixture(scope="session")
def workspace(
    tmp_path_factory: pytest.TempPathFactory,
    run_command: Callable[..., str],
    table_examples: dict[str, tuple[str, str]],
    toml_examples: dict[str, str],
    source_file: tuple[str, str],
) -> Path:
    """A workspace of nothing but the guides' examples, not refreshed yet."""
    place = tmp_path_factory.mktemp("guides") / "my-models"
    run_command("init", place)
    (place / "models/gatehouse").mkdir()
    for file, text in table_examples.values():
        (place / file).write_text(text, encoding="utf-8")
    model = next(text for text in toml_examples.values() if text.startswith("model_code"))
    profile = next(text for text in toml_examples.values() if text.startswith("profile_name"))
    (place / "models/gatehouse/model.toml").write_text(model, encoding="utf-8")
    (place / "profiles/hall.toml").write_text(profile, encoding="utf-8")
    (place / "inbox" / source_file[0]).write_text(source_file[1], encoding="utf-8")
    return place


@pytest.fixture(scope="session")
def published(workspace: Path, run_command: Callable[..., str]) -> tuple[Path, str]:
    """The same workspace refreshed, and what the refresh printed."""
    return workspace, run_command("refresh", "--workspace", workspace, "--priced-on", "2026-11-24")
