"""The worked queries run, give the columns that the guide shows and, on the demo, the rows."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.builders.length import IS_LONG


def worked_queries(guides: dict[str, str]) -> list[tuple[str, str]]:
    """Each query of the guide, and what it is said to print."""
    return re.findall(r"```sql\n(.*?)\n```\n\n```text\n(.*?)```", guides["docs/sql.md"], re.S)


def test_ten_queries_give_the_columns_shown(
    guides: dict[str, str], published: tuple[Path, str], run_command: Callable[..., str]
) -> None:
    workspace, _ = published
    queries = worked_queries(guides)
    assert len(queries) == 10
    for query, shown in queries:
        printed = run_command("query", query, "--workspace", workspace, "--format", "csv")
        assert printed.splitlines()[0].split(",") == shown.split("\n")[0].split(), query


def test_the_views_and_macros_named_are_there(
    guides: dict[str, str], published: tuple[Path, str], run_command: Callable[..., str]
) -> None:
    workspace, _ = published
    named = guides["docs/sql.md"].partition("everyday questions: ")[2].partition("\n\n")[0]
    views = re.findall(r"`(\w+)`", named)
    macros = [re.sub(r"\bday\b", "date '2026-11-24'", call) for call in re.findall(r"`(\w+\([^`]*\))`", named)]
    assert len(views) == 7 and len(macros) == 3
    values = {"stale_after_days": "30", "part": "'00501'", "colour": "'black'"}
    for macro in macros:
        call = re.sub(r"\b(stale_after_days|part|colour)\b", lambda name: values[name[0]], macro)
        run_command("query", f"select * from {call}", "--workspace", workspace, "--limit", "1")
    for view in views:
        run_command("query", f"from {view}", "--workspace", workspace, "--limit", "1")


@pytest.mark.skipif(not IS_LONG, reason="refreshes the demo; run by `make test-long`")
def test_the_queries_print_on_the_demo_what_is_shown(
    guides: dict[str, str], tmp_path: Path, run_command: Callable[..., str]
) -> None:
    run_command("init", tmp_path / "demo", "--demo")
    run_command("refresh", "--workspace", tmp_path / "demo")
    for query, shown in worked_queries(guides):
        assert run_command("query", query, "--workspace", tmp_path / "demo") == shown, query
