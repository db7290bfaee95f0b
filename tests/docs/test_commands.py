"""The reference of the commands is as the code has it, and what the guides name exists."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from pipelines import errors
from pipelines.cli.main import EXIT_CODES, app
from pipelines.cli.reference import commands_reference, exit_codes
from pipelines.errors import INTERRUPTED, UNEXPECTED

ROOT = Path(__file__).resolve().parents[2]
COMMANDS: dict[str, Any] = vars(typer.main.get_command(app))["commands"]
OPTIONS = {name: {flag for p in command.params for flag in p.opts if flag.startswith("-")} for name, command in COMMANDS.items()}  # fmt: skip
EVERYWHERE = {"-h", "--help"}


def test_the_reference_is_what_the_commands_say(guides: dict[str, str]) -> None:
    assert guides["docs/reference/commands.md"] == commands_reference(), "run `make docs`"


@pytest.mark.parametrize("name", COMMANDS)
def test_the_reference_has_every_option(guides: dict[str, str], name: str) -> None:
    section = guides["docs/reference/commands.md"].partition(f"## kitfare {name}\n")[2].partition("\n## ")[0]
    assert OPTIONS[name] <= set(re.findall(r"--[a-z][a-z-]*", section)) | EVERYWHERE


def test_all_exit_codes_are_listed() -> None:
    stated = set(re.findall(r"\b(\d+) [a-z]", EXIT_CODES))
    raised = {
        error.exit_code for error in vars(errors).values() if isinstance(error, type) and hasattr(error, "exit_code")
    }
    assert {str(code) for code in exit_codes()} == stated
    assert raised and raised | {0, UNEXPECTED, INTERRUPTED} <= set(exit_codes())
    listed = commands_reference().partition("## Exit codes")[2]
    assert re.findall(r"^\| (\d+) \|", listed, re.M) == [str(code) for code in exit_codes()]


def snippets(text: str) -> Iterator[str]:
    """What stands in code in a text: between backticks, in indented lines, and in blocks for the shell."""
    plain = re.sub(r"```.*?```", "", text, flags=re.S)
    yield from re.findall(r"`([^`\n]+)`", plain)
    yield from re.findall(r"^    ((?:kitfare|make) .*)$", plain, re.M)
    for block in re.findall(r"```sh\n(.*?)```", text, re.S):
        yield from re.findall(r"^((?:kitfare|make) .*)$", block, re.M)


def words(snippet: str) -> list[str]:
    try:
        return shlex.split(snippet, comments=True)
    except ValueError:  # a statement of SQL that goes on in the next line
        return snippet.split()


def test_commands_and_options_that_the_guides_name_exist(guides: dict[str, str]) -> None:
    named = set()
    for name, text in guides.items():
        for snippet in snippets(text):
            first, *rest = words(snippet) or [""]
            if first == "kitfare" and rest and rest[0] != "COMMAND":
                assert rest[0] in COMMANDS, f"{name}: {snippet}"
                known = OPTIONS[rest[0]] | EVERYWHERE
                named.add(rest[0])
            elif first.startswith("--"):
                known, rest = set().union(*OPTIONS.values()), [first, *rest]
            else:
                continue
            used = {word.partition("=")[0] for word in rest if re.match(r"--[a-z]", word)}
            assert used <= known, f"{name}: {snippet}"
    assert named == set(COMMANDS), "a command that no guide names"


def test_make_targets_that_the_guides_name_exist(guides: dict[str, str]) -> None:
    targets = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M))
    named = {
        words(snippet)[1] for text in guides.values() for snippet in snippets(text) if re.match(r"make [a-z]", snippet)
    }
    assert {"demo", "test", "install"} <= named <= targets


def test_paths_of_the_code_that_the_guides_name_exist(guides: dict[str, str]) -> None:
    named = {
        path
        for text in guides.values()
        for snippet in snippets(text)
        for path in re.findall(r"^(?:pipelines|tests|sql|schemas|demo_inputs)/[\w/.]+$", snippet)
    }
    assert len(named) >= 4
    for path in named:
        assert (ROOT / path).exists(), path
