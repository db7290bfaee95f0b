"""Writes the reference of the commands from their help, so that the two can't differ: ``make docs``."""

from __future__ import annotations

import inspect
from typing import Any

import typer

from pipelines.cli.main import EXIT_CODES, app, command_groups

_TITLE = """# Commands

Written from the commands' own help by `make docs`; a test fails when it is stale. `kitfare COMMAND --help` prints the same.
"""


def commands_reference() -> str:
    """Every command with its arguments, options and examples, and the exit codes, as Markdown."""
    group: Any = typer.main.get_command(app)
    context = typer.Context(group, info_name="kitfare")
    parts = [_TITLE, "| group | command | what it does |", "| --- | --- | --- |"]
    parts += [
        f"| {heading.lower()} | [kitfare {name}](#kitfare-{name}) | {_paragraphs(group.commands[name].help)[0]} |"
        for heading, names in command_groups().items()
        for name in names
    ]
    for name, command in group.commands.items():
        parts += ["", *_command_section(name, command, context)]
    return "\n".join([*parts, "", *_exit_code_section()]) + "\n"


def exit_codes() -> dict[int, str]:
    """What each exit code means, as in ``kitfare --help``."""
    stated = " ".join(EXIT_CODES.partition(":")[2].split()).partition(".")[0]
    return {int(code): meaning for code, _, meaning in (one.strip().partition(" ") for one in stated.split(";"))}


def _exit_code_section() -> list[str]:
    rows = [f"| {code} | {meaning} |" for code, meaning in exit_codes().items()]
    stays = " ".join(EXIT_CODES.split()).partition(". ")[2]
    return ["## Exit codes", "", "| code | meaning |", "| ---: | --- |", *rows, "", stays]


def _command_section(name: str, command: Any, group_context: Any) -> list[str]:
    context = typer.Context(command, info_name=name, parent=group_context)
    parameters = [_parameter_row(parameter, context) for parameter in command.get_params(context)]
    lines = [f"## kitfare {name}", ""]
    for paragraph in _paragraphs(command.help):
        lines += [paragraph, ""]
    return [*lines, "| argument or option | meaning |", "| --- | --- |", *filter(None, parameters)]


def _paragraphs(text: str) -> list[str]:
    r"""A help text's paragraphs on one line each; those marked ``\b``, which keep their lines, as blocks of code."""
    found = []
    for paragraph in inspect.cleandoc(text).split("\n\n"):
        if paragraph.startswith("\b"):
            found.append("```text\n" + paragraph.removeprefix("\b").strip("\n") + "\n```")
        else:
            found.append(" ".join(paragraph.split()))
    return found


def _parameter_row(parameter: Any, context: Any) -> str:
    """One argument or option as a row of a table; empty for ``--help``, which every command has."""
    record = parameter.get_help_record(context)
    if record is None or parameter.name == "help":
        return ""
    usage, meaning = (" ".join(str(text).split()).replace("|", "\\|") for text in record)
    return f"| `{usage.removesuffix(' <str>').removesuffix(' <path>')}` | {meaning} |"


if __name__ == "__main__":
    typer.echo(commands_reference(), nl=False)
