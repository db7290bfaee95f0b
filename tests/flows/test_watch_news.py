"""News of watches: a file after each refresh, a notice when something is new, and neither can stop a refresh."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.flows import watch_news
from pipelines.flows.runs.run_record import Run, utc_now
from pipelines.flows.watch_news import after_publishing, newly_fired
from pipelines.warehouse.price_history.messages import Message
from schemas.published.watches import WATCH_RESULT
from schemas.validate import polars_schema
from tests.builders.runs import bare_workspace

DAY = date(2026, 11, 25)


def found(*rows: Any) -> Any:
    """Rows of WATCH_RESULT from (subject, is_fired)."""
    full = [
        {"watch_code": "w", "model_code": "hut", "buyer_code": "home", "watch_subject": subject, "watch_kind": "line_scarce",
         "is_fired": fired, "watched_value": 1.0, "watch_limit": 2.0, "watch_message": "few left."}
        for subject, fired in rows
    ]  # fmt: skip
    return pl.DataFrame(full, polars_schema(WATCH_RESULT))


def published(place: Any, results: Any, before: Any) -> Run:
    """A run that has published these results in place of those before."""
    news = watch_news.found("r1", DAY, results, before)
    return after_publishing(Run(3, utc_now(), messages=(Message("a file"),), news=news), place)


def texts(run: Run) -> list[str]:
    return [message.text for message in run.messages]


def test_only_what_had_not_fired_before_is_new() -> None:
    now, before = found(("a", True), ("b", True), ("c", False)), found(("a", True), ("b", False))
    assert newly_fired(now, before)["watch_subject"].to_list() == ["b"]
    assert newly_fired(now, None)["watch_subject"].to_list() == ["a", "b"]


def test_the_file_says_all_that_fired_and_what_is_new(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, '[watch_news]\nfile = "news/watches.json"\n')
    run = published(place, found(("a", True), ("b", True), ("c", False)), found(("a", True)))
    news = json.loads((tmp_path / "news/watches.json").read_text(encoding="utf-8"))
    assert news["refresh_id"] == "r1" and news["priced_on"] == "2026-11-25"
    assert [(row["watch_subject"], row["is_new"]) for row in news["fired"]] == [("a", False), ("b", True)]
    assert texts(run) == ["a file", "watch w: hut, home: b: few left."]


def test_a_notice_has_the_same_and_is_made_only_for_news(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    nothing_new = published(place, found(("a", True)), found(("a", True)))
    assert (nothing_new.notices, nothing_new.news, texts(nothing_new)) == ({}, None, ["a file"])
    run = published(place, found(("a", True)), None)
    notice = run.notices["watches"]
    assert notice.notice_id == f"watches-{run.stamp}" and notice.content["refresh_id"] == "r1"
    assert [row["is_new"] for row in notice.content["fired"]] == [True]
    assert notice.text.endswith("\nwatch w: hut, home: a: few left.")


def test_news_are_dealt_with_once(tmp_path: Path) -> None:
    """Also when a kill came between the swap and the record, and the next refresh does it again."""
    place = bare_workspace(tmp_path, '[watch_news]\nfile = "watches.json"\n')
    run = published(place, found(("a", True)), None)
    (tmp_path / "watches.json").unlink()
    assert after_publishing(run, place) == run and not (tmp_path / "watches.json").exists()
    again = after_publishing(replace(run, news=watch_news.found("r1", DAY, found(("a", True)), None)), place)
    assert again == run


def test_a_file_that_cannot_be_written_is_reported_and_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    run = published(bare_workspace(tmp_path, '[watch_news]\nfile = "taken"\n'), found(("a", True)), None)
    assert "could not be written" in texts(run)[-1] and "watches" in run.notices


def test_many_are_reported_in_few_lines(tmp_path: Path) -> None:
    run = published(bare_workspace(tmp_path), found(*((f"e{n}", True) for n in range(9))), None)
    assert len(texts(run)) == 7 and texts(run)[-1].startswith("and 4 more")
