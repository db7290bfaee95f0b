"""The command as a whole: light help, plain errors, and the same exit codes for the same reasons."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import duckdb
import pytest
import typer
from typer.testing import CliRunner

from pipelines import __version__, errors
from pipelines.cli import main
from pipelines.cli.main import app

COMMANDS = tuple(name for names in main.command_groups().values() for name in names)
HEAVY = (
    "polars",
    "duckdb",
    "prefect",
    "pydantic",
    "pandera",
    "numpy",
    "pyarrow",
    "altair",
    "rich",
    "jinja2",
    "statsmodels",
)


def kitfare(*arguments: Any, **options: Any) -> Any:
    return subprocess.run(["kitfare", *arguments], capture_output=True, text=True, timeout=60, **options)


@pytest.fixture(autouse=True)
def _own_commands_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}")


def test_help_lists_every_command_in_its_group_and_every_exit_code() -> None:
    result = kitfare("--help")
    assert result.returncode == 0 and not result.stderr
    for group, commands in main.command_groups().items():
        section = result.stdout.partition(f"\n{group}:\n")[2].partition("\n\n")[0]
        assert [line.split()[0] for line in section.splitlines()] == commands
        assert "..." not in section, "a command's first sentence is too long for the list"
    codes = {kind.exit_code for kind in error_classes()}
    for code in codes | {0, errors.UNEXPECTED, errors.INTERRUPTED}:
        assert f" {code} " in " ".join(result.stdout.split()), code


def test_every_module_with_a_command_is_in_a_group() -> None:
    folders = [Path(main.__file__).parent / name for name in ("start", "nightly", "ask", "upkeep")]
    paths = [path for folder in folders for path in folder.glob("*.py")]
    assert {path.stem for path in paths if "\ndef run(" in path.read_text(encoding="utf-8")} == set(COMMANDS)


def loaded_by(*arguments: Any) -> Any:
    program = (
        "import sys, atexit\n"
        f"atexit.register(lambda: print('loaded:', sorted(set({HEAVY!r}) & set(sys.modules))))\n"
        f"sys.argv = ['kitfare', *{arguments!r}]\n"
        "from pipelines.cli.main import main\n"
        "main()\n"
    )
    result = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert result.returncode == 0, result.stderr
    return result.stdout.splitlines()[-1]


def test_help_loads_nothing_heavy() -> None:
    assert loaded_by("--help") == "loaded: []"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_loads_nothing_heavy(command: Any) -> None:
    """Typer itself loads pydantic once it looks at a command's options."""
    assert loaded_by(command, "--help") in ("loaded: []", "loaded: ['pydantic']")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_an_example(command: Any) -> None:
    text = CliRunner().invoke(app, [command, "--help"]).stdout
    assert f"    kitfare {command}" in text
    assert "<str>" not in text.partition("Options:")[2] and "<int" not in text, "an option has no name for its value"
    assert all(len(line) <= 80 for line in text.splitlines())


def test_version() -> None:
    result = kitfare("--version")
    assert (result.returncode, result.stdout) == (0, f"kitfare {__version__}\n")
    project = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["version"] == __version__


def test_no_command_shows_the_help() -> None:
    result = kitfare()
    assert result.returncode == 2
    assert "Every day:" in result.stdout + result.stderr


@pytest.mark.parametrize(
    "arguments", [("nope",), ("query",), ("refresh", "--nope"), ("report", "--month"), ("plan", "--needs", "x")]
)
def test_wrong_use_is_2(arguments: tuple[str, ...]) -> None:
    result = kitfare(*arguments)
    assert result.returncode == 2
    assert "Error: " in result.stderr and "Traceback" not in result.stderr


NEED_A_WORKSPACE = [
    ("refresh",), ("report", "--month", "2026-10"), ("query", "select 1"), ("accept", "3f9a12"), ("status",),
    ("schedule",),
]  # fmt: skip


@pytest.mark.parametrize("arguments", NEED_A_WORKSPACE, ids=lambda arguments: arguments[0])
def test_outside_a_workspace_the_message_names_the_next_step(arguments: Any, tmp_path: Path) -> None:
    result = kitfare(*arguments, cwd=tmp_path)
    assert result.returncode == 2
    assert "kitfare.toml" in result.stderr and "kitfare init DIR" in result.stderr
    assert not result.stdout and "Traceback" not in result.stderr
    named = kitfare(*arguments, "--workspace", str(tmp_path / "none"), cwd=tmp_path)
    assert named.returncode == 2 and "is not a kitfare workspace" in named.stderr


def test_every_command_on_a_workspace_takes_one() -> None:
    for command in set(COMMANDS) - {"init", "dictionary", "plan", "index", "restore"}:
        assert "--workspace DIR" in CliRunner().invoke(app, [command, "--help"]).stdout


class Raising:
    """A command that raises the given error, in a group of kitfare's own kind."""

    def __init__(self, error: Any) -> None:
        self.app = typer.Typer(cls=main._Commands, pretty_exceptions_enable=False)
        self.app.callback()(lambda: None)

        @self.app.command("fail")
        def fail() -> None:
            raise error

    def run(self, **env: Any) -> Any:
        return CliRunner().invoke(self.app, ["fail"], env=env)


def error_classes() -> Any:
    things = vars(errors).values()
    return [kind for kind in things if isinstance(kind, type) and issubclass(kind, errors.KitfareError)]


@pytest.mark.parametrize("kind", error_classes(), ids=lambda kind: kind.__name__)
def test_errors_of_kitfare_are_printed_plainly(kind: Any) -> None:
    result = Raising(kind("It broke", where="here.csv:3", state="as before", next_step="correct it")).run()
    assert result.exit_code == kind.exit_code
    assert result.stderr == "It broke\n  where: here.csv:3\n  state: as before\n  next:  correct it\n"
    assert not result.stdout


class Panic(BaseException):
    """Like the panics of compiled libraries: not an Exception."""


@pytest.mark.parametrize("error", [RuntimeError("odd"), Panic("odd"), RecursionError("odd"), MemoryError("odd")])
def test_a_fault_is_70_and_states_how_to_see_more(error: Any) -> None:
    result = Raising(error).run()
    assert result.exit_code == 70
    assert type(error).__name__ in result.stderr and "KITFARE_DEBUG=1" in result.stderr
    assert "Traceback" not in result.stderr


def test_debug_shows_where_it_came_from() -> None:
    result = Raising(RuntimeError("odd")).run(KITFARE_DEBUG="1")
    assert result.exit_code == 70
    assert "Traceback" in result.stderr and "raise error" in result.stderr


@pytest.mark.parametrize(
    "error",
    [
        KeyboardInterrupt(),
        RuntimeError("Query interrupted"),
        duckdb.InvalidInputException(
            "reading the object registered as 'frame' as Arrow data failed: KeyboardInterrupt: "
        ),
    ],
    ids=["Python", "DuckDB at work", "DuckDB handed a frame"],
)
def test_ctrl_c_is_130(error: Any) -> None:
    result = Raising(error).run()
    assert result.exit_code == 130
    assert "Interrupted" in result.stderr and "what was published stays" in result.stderr


def test_a_refusal_of_the_system_is_no_fault() -> None:
    result = Raising(OSError(28, "No space left on device", "big.parquet")).run()
    assert result.exit_code == 1
    assert "No space left on device" in result.stderr and "big.parquet" in result.stderr


def test_what_comes_from_files_cannot_steer_the_terminal() -> None:
    result = Raising(errors.InputError("name \x1b[2J\x07 and \u202e")).run()
    assert "\x1b" not in result.stderr and "\x07" not in result.stderr and "\u202e" not in result.stderr


def test_a_reader_that_stops_reading_is_no_fault() -> None:
    ended = subprocess.run(
        ["bash", "-c", "set -o pipefail; kitfare dictionary | head -1"], capture_output=True, text=True, timeout=60
    )
    assert ended.stdout == "# Data dictionary\n"
    assert "fault" not in ended.stderr and "Traceback" not in ended.stderr
