"""News of watches: a file after each refresh, a program when something is new, and neither can stop a refresh."""

import json
import sys
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.flows.watch_news import newly_fired, pass_on
from pipelines.workspace import Workspace
from schemas.published.watches import WATCH_RESULT
from schemas.validate import polars_schema

DAY = date(2026, 11, 25)


def found(*rows: Any) -> Any:
    """Rows of WATCH_RESULT from (subject, is_fired)."""
    full = [
        {"watch_code": "w", "model_code": "hut", "buyer_code": "home", "watch_subject": subject, "watch_kind": "line_scarce",
         "is_fired": fired, "watched_value": 1.0, "watch_limit": 2.0, "watch_message": "few left."}
        for subject, fired in rows
    ]  # fmt: skip
    return pl.DataFrame(full, polars_schema(WATCH_RESULT))


def workspace(folder: Any, news: str = "") -> Any:
    (folder / "kitfare.toml").write_text(
        '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n[watch_news]\n' + news
    )
    return Workspace(folder)


def program(body: Any) -> Any:
    return f"command = {json.dumps([sys.executable, '-c', body])}\n"


def test_only_what_had_not_fired_before_is_new() -> None:
    now, before = found(("a", True), ("b", True), ("c", False)), found(("a", True), ("b", False))
    assert newly_fired(now, before)["watch_subject"].to_list() == ["b"]
    assert newly_fired(now, None)["watch_subject"].to_list() == ["a", "b"]


def test_the_file_says_all_that_fired_and_what_is_new(tmp_path: Path) -> None:
    place = workspace(tmp_path, 'file = "news/watches.json"\n')
    messages = pass_on(place, "r1", DAY, found(("a", True), ("b", True), ("c", False)), found(("a", True)))
    news = json.loads((tmp_path / "news/watches.json").read_text(encoding="utf-8"))
    assert news["refresh_id"] == "r1" and news["priced_on"] == "2026-11-25"
    assert [(row["watch_subject"], row["is_new"]) for row in news["fired"]] == [("a", False), ("b", True)]
    assert messages == ["watch w: hut, home: b: few left."]


def test_the_program_gets_the_same_text_and_runs_only_for_news(tmp_path: Path) -> None:
    place = workspace(tmp_path, program("import sys; open('heard.json', 'w').write(sys.stdin.read())"))
    assert pass_on(place, "r1", DAY, found(("a", True)), found(("a", True))) == []
    assert not (tmp_path / "heard.json").exists()
    pass_on(place, "r2", DAY, found(("a", True)), None)
    assert json.loads((tmp_path / "heard.json").read_text())["refresh_id"] == "r2"


def test_what_fails_is_reported_and_stops_nothing(tmp_path: Path) -> None:
    news = found(("a", True))
    failing = workspace(tmp_path, program("import sys; print('no bell here', file=sys.stderr); sys.exit(3)"))
    assert pass_on(failing, "r", DAY, news, None)[-1] == "watch_news.command ended with exit code 3: no bell here"
    absent = workspace(tmp_path, 'command = ["/no/such/program"]\n')
    assert "could not be run" in pass_on(absent, "r", DAY, news, None)[-1]
    slow = workspace(tmp_path, program("import time; time.sleep(60)") + "command_seconds = 1\n")
    assert pass_on(slow, "r", DAY, news, None)[-1] == "watch_news.command was stopped after 1 s"
    (tmp_path / "taken").mkdir()
    unwritable = workspace(tmp_path, 'file = "taken"\n')
    assert "could not be written" in pass_on(unwritable, "r", DAY, news, None)[-1]


def test_many_are_reported_in_few_lines(tmp_path: Path) -> None:
    messages = pass_on(workspace(tmp_path), "r", DAY, found(*((f"e{n}", True) for n in range(9))), None)
    assert len(messages) == 6 and messages[-1].startswith("and 4 more")
