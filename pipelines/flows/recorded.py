"""Keeps the record of a refresh while it runs, its messages until they were shown, and passes on what others hear of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime

from pipelines.errors import is_interrupt
from pipelines.flows import watch_news
from pipelines.flows.runs import delivery, disk_use, notices, run_record
from pipelines.flows.runs.run_record import Outcome, Recorder, Run
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import load, messages
from pipelines.workspace import Workspace


class Report(Recorder):
    """The record of the refresh at work, and ``sentences``: all it shows at its end. ``outcome`` is what it is once it succeeds."""

    sentences: list[str]
    outcome: Outcome = "unchanged"

    def add(self, texts: Sequence[str]) -> None:
        """More that nobody must miss, and that no later refresh would find again."""
        fresh = [text for text in dict.fromkeys(texts) if text not in self.sentences]
        if fresh:
            self.sentences += fresh
            self.update(messages=(*self.run.messages, *map(messages.Message, fresh)))

    def published(self) -> None:
        """Readers see what it made, so its watches have news."""
        self.outcome = "published"
        before = {message.text for message in self.run.messages}
        self.update(**_changes(self.run, watch_news.after_publishing(self.run, self.workspace)))
        self.sentences += [message.text for message in self.run.messages if message.text not in before]

    def quarantined_row_count(self, shown: tuple[str, ...]) -> int:
        """Rows that messages of earlier runs say are quarantined, without the messages that are in ``shown`` anyway."""
        return sum(message.quarantined_row_count for message in self.run.messages if message.text not in shown)


def _changes(before: Run, after: Run) -> dict[str, object]:
    return {name: value for name, value in vars(after).items() if value != getattr(before, name)}


@contextmanager
def recorded(workspace: Workspace, started_at: datetime, *, is_attended: bool) -> Iterator[Report]:
    """A record and a report for the refresh of the block, which has the workspace's lock.

    A message about a file is in the warehouse from the moment the file is, and leaves it once the record of a refresh that
    succeeded has it. From there each later refresh takes it over, until one that succeeded was seen to show it. A failure shows the
    messages too, but does not count as having shown them.

    Args:
        workspace: the user's folder.
        started_at: UTC.
        is_attended: whether someone sees the messages on a terminal; then a failure is no news.
    """

    def close(run: Run) -> Run:
        return _closed(run, workspace)

    with run_record.record_of_refresh(workspace, started_at, Report, close, is_attended=is_attended) as report:
        report.sentences = [message.text for message in report.run.messages]
        try:
            yield report
        except BaseException as error:
            report.fail(error, close)
            shown = [message.text for message in report.run.messages]
            # Who interrupts it does not wait for programs.
            undelivered = [] if is_interrupt(error) else delivery.pass_on(workspace)
            for text in dict.fromkeys([*shown, *report.sentences, *report.troubles, *undelivered]):
                error.add_note(text)
            raise
        _succeed(report)
        report.sentences += [*report.troubles, *delivery.pass_on(workspace)]


def _succeed(report: Report) -> None:
    """Messages move from the warehouse to the record. If one of them can't be written, the next refresh shows them again."""
    if report.workspace.warehouse.is_file():
        _move_messages(report)
    if report.run.outcome == "running":
        _write_success(report, report.run.messages, ())


def _move_messages(report: Report) -> None:
    with suppress(*connect.DATABASE_ERRORS), connect.writer(report.workspace.warehouse) as con:
        kept, files = messages.kept(con), _files(con, report.run.started_at)
        report.sentences += [message.text for message in kept if message.text not in report.sentences]
        if _write_success(report, tuple(dict.fromkeys([*report.run.messages, *kept])), files):
            messages.forget(con)


def _write_success(report: Report, found: tuple[messages.Message, ...], files: tuple[tuple[str, str], ...]) -> bool:
    texts = {message.text for message in found}
    return report.update(
        outcome=report.outcome,
        ended_at=run_record.utc_now(),
        used_bytes=disk_use.bytes_of(report.workspace.root),
        messages=found,
        files=files,
        notes=tuple(text for text in report.sentences if text not in texts),
    )


def _closed(run: Run, workspace: Workspace) -> Run:
    """A run that failed or was killed, with what the warehouse knows of its files, its news if it had published, and a notice."""
    with suppress(OSError, *connect.DATABASE_ERRORS), connect.reader(workspace.warehouse) as con:
        found = tuple(dict.fromkeys([*run.messages, *messages.kept(con)]))
        run = replace(run, messages=found, files=_files(con, run.started_at))
    if run_record.is_published(run, workspace):
        run = watch_news.after_publishing(run, workspace)
    run = replace(run, news=None)
    return (
        notices.with_notice(run, "failed", lambda run: notices.failure(run, workspace))
        if notices.needs_failure(run)
        else run
    )


def _files(con: connect.Connection, started_at: datetime) -> tuple[tuple[str, str], ...]:
    known = load.readings(con) if connect.is_made(con) else []
    return tuple((file.file_name, file.file_hash) for file in known if file.received_at == started_at)
