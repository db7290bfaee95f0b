"""``kitfare doctor``: checks installation and workspace, and corrects what is safe."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, find_workspace, note, open_workspace, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipelines.flows.upkeep.check_result import CheckResult
    from pipelines.workspace import Workspace

_MARKS = {"well": "ok    ", "advice": "look  ", "fault": "FAULT "}


def run(
    fix: Annotated[bool, typer.Option("--fix", help="Correct what is safe to correct.")] = False,
    json_output: Annotated[bool, typer.Option("--json", help="Print the findings as JSON, for programs.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Check the installation and the workspace.

    One line for each: libraries, fonts, settings, rights, locks, room on the disk, the clock, the layout of the warehouse, what
    is published, and what killed processes left. Below each fault stands what to do. `kitfare verify` checks contents.

    With --fix it makes missing folders and removes what killed processes left half written. It ends with 6 if a refresh
    fails or may fail, with 7 if somebody should look, else with 0. Outside of a workspace it checks the installation alone.

    \b
    Examples:
      kitfare doctor
      kitfare doctor --fix
      kitfare doctor --json --workspace ~/models
    """
    place = open_workspace(workspace) if workspace is not None or find_workspace() else None

    from pipelines.flows.upkeep import doctor, installation

    installed = list(installation.findings())
    found = doctor.examine(place) if place else []
    corrected = [finding.code for finding in found if finding.correct] if fix else []
    if place and corrected:
        found = doctor.correct(place, found)
    found = [*installed, *found]
    code = _exit_code(found)
    if json_output:
        _say_json(place, found, corrected, code)
    else:
        for finding in found:
            say(f"{_MARKS[finding.standing]}{finding.text}")
            if finding.next_step:
                say(f"        next: {finding.next_step}")
        if corrected:
            say(f"Corrected: {', '.join(corrected)}.")
        if place is None:
            note("There is no workspace here, so the installation alone was checked.")
    if code:
        raise typer.Exit(code)


def _exit_code(found: Sequence[CheckResult]) -> int:
    standings = {finding.standing for finding in found}
    return 6 if "fault" in standings else 7 if "advice" in standings else 0


def _say_json(place: Workspace | None, found: Sequence[CheckResult], corrected: Sequence[str], code: int) -> None:
    import json

    content = {
        "workspace": str(place.root.resolve()) if place else None,
        "exit_code": code,
        "checks": [
            {"code": each.code, "standing": each.standing, "text": each.text, "next_step": each.next_step}
            for each in found
        ],
        "corrected": list(corrected),
    }
    typer.echo(json.dumps(content, indent=2))
