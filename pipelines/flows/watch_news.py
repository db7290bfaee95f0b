"""Passes on the results of watches: to a file, and to a program of the user's. No failure here stops a refresh."""

from __future__ import annotations

import json
import subprocess
from datetime import date

import polars as pl

from pipelines.workspace import Workspace
from schemas.published.watches import WATCH_RESULT

FIRED = ("watch_code", "model_code", "buyer_code", "watch_subject")


def newly_fired(results: pl.DataFrame, before: pl.DataFrame | None) -> pl.DataFrame:
    """The watches that fired now and did not fire in the refresh before."""
    fired = results.filter(pl.col("is_fired"))
    return fired if before is None else fired.join(before.filter(pl.col("is_fired")), on=FIRED, how="anti")


def news_text(refresh_id: str, day: date, results: pl.DataFrame, before: pl.DataFrame | None) -> str:
    """What fired as JSON: refresh_id, priced_on, and ``fired`` with the columns of WATCH_RESULT and ``is_new``."""
    new = set(newly_fired(results, before).select(FIRED).iter_rows())
    fired = [
        {**row, "is_new": tuple(row[name] for name in FIRED) in new}
        for row in results.filter(pl.col("is_fired")).sort(WATCH_RESULT.key).to_dicts()
    ]
    return (
        json.dumps(
            {"refresh_id": refresh_id, "priced_on": day.isoformat(), "fired": fired}, indent=2, ensure_ascii=False
        )
        + "\n"
    )


def pass_on(
    workspace: Workspace, refresh_id: str, day: date, results: pl.DataFrame, before: pl.DataFrame | None
) -> list[str]:
    """Write the file and run the command that the settings name; returns messages for the user, failures included."""
    news = workspace.settings().watch_news
    text = news_text(refresh_id, day, results, before)
    fresh = newly_fired(results, before)
    messages = [
        f"watch {row['watch_code']}: {row['model_code']}, {row['buyer_code']}: {_subject(row)}{row['watch_message']}"
        for row in fresh.head(SHOWN).to_dicts()
    ]
    if fresh.height > SHOWN:
        messages.append(f"and {fresh.height - SHOWN} more watches fired: see published/watches.html")
    if news.file:
        path = workspace.root / news.file
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            messages.append(
                f"the results of watches could not be written to {path}: {error.strerror}; correct watch_news.file"
            )
    if news.command and fresh.height:
        refusal = workspace.why_no_commands()
        messages += [refusal] if refusal else _run(news.command, text, workspace, news.command_seconds)
    return messages


SHOWN = 5
"""Watches named one by one at the end of a refresh."""


def _subject(row: dict[str, object]) -> str:
    return f"{row['watch_subject']}: " if row["watch_kind"] == "line_scarce" else ""


def _run(command: list[str], text: str, workspace: Workspace, seconds: int) -> list[str]:
    try:
        done = subprocess.run(
            command, input=text, text=True, capture_output=True, cwd=workspace.root, timeout=seconds, check=False
        )
    except subprocess.TimeoutExpired:
        return [f"watch_news.command was stopped after {seconds} s"]
    except (OSError, ValueError) as error:
        return [f"watch_news.command could not be run: {error}"]
    if done.returncode:
        last = (done.stderr or done.stdout).strip().splitlines()[-1:] or ["no message"]
        return [f"watch_news.command ended with exit code {done.returncode}: {last[0]}"]
    return []
