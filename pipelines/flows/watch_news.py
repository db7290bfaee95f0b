"""News of watches: found before a refresh publishes, and passed on once it has, also if it was killed in between.

They go to a file and to those whom ``[[notify]]`` names. No failure here stops a refresh.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl

from pipelines.flows.runs.notices import settings_or_last, with_notice
from pipelines.flows.runs.run_record import Notice, Run, utc_now
from pipelines.warehouse.price_history.messages import Message
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


def found(refresh_id: str, day: date, results: pl.DataFrame, before: pl.DataFrame | None) -> dict[str, Any]:
    """The news of a refresh as its record keeps them until it is known whether it published.

    Compared with what readers see until then, so it must be made before the swap. ``text`` is :func:`news_text`, ``messages``
    name the watches that are new, at most ``SHOWN`` of them.
    """
    fresh = newly_fired(results, before)
    messages = [
        f"watch {row['watch_code']}: {row['model_code']}, {row['buyer_code']}: {_subject(row)}{row['watch_message']}"
        for row in fresh.head(SHOWN).to_dicts()
    ]
    if fresh.height > SHOWN:
        messages.append(f"and {fresh.height - SHOWN} more watches fired: see published/private/watches.html")
    return {"text": news_text(refresh_id, day, results, before), "messages": messages}


def after_publishing(run: Run, workspace: Workspace) -> Run:
    """The run with its news among its messages and notices, now that readers see what it made; the file is written.

    A file that can't be written is a message. Without news, or with news that were dealt with, the run stays as it is.
    """
    if run.news is None:
        return run
    text, messages = str(run.news["text"]), [Message(message) for message in run.news["messages"]]
    settings = settings_or_last(workspace)
    if settings is not None and settings.watch_news.file:
        path = workspace.root / settings.watch_news.file
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            words = f"the results of watches could not be written to {path}: {error.strerror}; correct watch_news.file"
            messages.append(Message(words))
    known = replace(run, news=None, messages=tuple(dict.fromkeys([*run.messages, *messages])))
    if not run.news["messages"]:
        return known
    return with_notice(known, "watches", lambda run: _notice(run, workspace, text, [m.text for m in messages]))


def _notice(run: Run, workspace: Workspace, text: str, messages: list[str]) -> Notice:
    subject = f"kitfare: a watch has news ({workspace.root.resolve().name})"
    return Notice(f"watches-{run.stamp}", utc_now(), "\n".join([subject, *messages]), json.loads(text))


SHOWN = 5
"""Watches named one by one at the end of a refresh."""


def _subject(row: dict[str, object]) -> str:
    return f"{row['watch_subject']}: " if row["watch_kind"] == "line_scarce" else ""
