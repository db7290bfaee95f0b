"""What is wrong with a workspace now, the worst first: for ``kitfare status``. Reads only, and opens no warehouse.

Each concern comes from records, from what is published, or from files that are there; whatever can't be read is a concern too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from math import ceil
from statistics import median
from typing import Any, Literal

from pipelines.errors import KitfareError, SettingsError
from pipelines.flows.runs import delivery, disk_use, notices, run_record
from pipelines.flows.runs.notices import time_text
from pipelines.intake.archiving import journal
from pipelines.intake.workspace import workspace_files
from pipelines.settings_refresh import RefreshSettings
from pipelines.warehouse.publishing.query import Asked, asking
from pipelines.workspace import Workspace
from schemas.inputs.price_decisions import ACCEPTED_EXPORTS

Level = Literal["broken", "waits", "known"]

EXIT_CODES: dict[Level, int] = {"broken": 6, "waits": 7, "known": 0}
"""Of ``kitfare status --exit-code``: that of the worst concern."""

RHYTHM_EXPORTS = 21
"""The latest exports of a vendor that show how often it usually sends one."""
LEAST_EXPORTS = 3
"""With fewer, a vendor has no rhythm yet."""
SOON_DAYS = 60
"""A disk that is full sooner is a concern."""
NAMED = 5
"""Vendors named in one concern."""

_EXPORTS = """
select vendor_code, observed_on
from (select distinct vendor_code, observed_on from vendor_export semi join vendors using (vendor_code))
qualify row_number() over (partition by vendor_code order by observed_on desc) <= {count}
order by vendor_code, observed_on
"""
_CLOSED = """
select vendor_code from vendor_closures
where closed_from_on <= '{day}' and (opens_again_on is null or opens_again_on > '{day}')
"""
_WAITING = "select distinct file_hash from vendor_export where export_standing = 'waiting'"
_QUARANTINED = """
select
    count(distinct (file_hash, record_number)) filter (where record_number <> 0) as row_count,
    count(distinct file_hash) filter (where record_number <> 0) as file_count,
    count(distinct file_hash) filter (where record_number = 0) as whole_count
from quarantined_row where not is_corrected
"""
_REFUSED = """
select distinct model_code from model_cost
where plan_status = 'refused' and priced_on = (select max(priced_on) from model_cost)
order by model_code
"""
_SUSPECTS = "select count(*) as suspect_count from suspect_price where valid_to_on is null and cleared_from_on is null"


@dataclass(frozen=True)
class Concern:
    """Something that is true and that someone may have to act on.

    Args:
        code: a short name for programs.
        level: "broken": what is published is not kept up to date; "waits": something waits for a person; "known": it need not.
        text: one line.
    """

    code: str
    level: Level
    text: str


def concerns(workspace: Workspace, now: datetime | None = None) -> list[Concern]:
    """All that is to be said of a workspace, the worst first; the first one is the worst thing that is true.

    Args:
        workspace: the user's folder.
        now: UTC; the time if left out.
    """
    moment = now or run_record.utc_now()
    settings = notices.settings_or_last(workspace)
    rules = settings.refresh if settings else RefreshSettings()
    found = [
        *_runs(workspace, rules, moment),
        *_settings(workspace),
        *_warehouse(workspace),
        *_published(workspace, rules, moment),
        *_disk(workspace, moment),
        *_notices(workspace),
        *_records(workspace),
    ]
    ranks: list[Level] = ["broken", "waits", "known"]
    return sorted(found, key=lambda concern: ranks.index(concern.level))


def exit_code(found: Sequence[Concern]) -> int:
    """0 if nobody needs to act; that of the worst concern otherwise."""
    return EXIT_CODES[found[0].level] if found else 0


def _runs(workspace: Workspace, rules: RefreshSettings, now: datetime) -> Iterator[Concern]:
    latest = run_record.latest_ended(workspace)
    if latest is not None and latest.outcome in run_record.FAILURES:
        what = "was killed" if latest.outcome == "killed" else "failed"
        yield Concern(
            "failed", "broken", f"The refresh of {time_text(latest.started_at)} {what}: {_one_line(latest.why)}"
        )
    success = notices.last_success(workspace)
    due = notices.overdue_since(success, rules.expected_every_hours, now)
    if success is not None and success.ended_at is not None and due is not None:
        words = f"A refresh is overdue since {time_text(due)}: the last that succeeded ended at {time_text(success.ended_at)}"
        yield Concern("overdue", "broken", words)
    if run_record.is_running(workspace):
        yield Concern("running", "known", "A refresh is at work")


def _settings(workspace: Workspace) -> Iterator[Concern]:
    try:
        workspace.settings()
    except SettingsError as error:
        yield Concern(
            "settings", "broken", f"{_one_line(error.what)}, so no refresh can succeed: {_one_line(error.where)}"
        )
    except OSError as error:
        yield Concern("settings", "broken", f"kitfare.toml can't be read: {error.strerror or error}")


def _warehouse(workspace: Workspace) -> Iterator[Concern]:
    if workspace.warehouse.is_file():
        return
    try:
        was_filled = bool(journal.read_journal(workspace.archive).readings)
    except (KitfareError, OSError, ValueError, KeyError):
        was_filled = True
    if was_filled:
        yield Concern(
            "warehouse",
            "broken",
            f"{workspace.warehouse.name} is gone; `kitfare rebuild` makes it again from the archive",
        )


def _published(workspace: Workspace, rules: RefreshSettings, now: datetime) -> Iterator[Concern]:
    database = workspace.database
    if not database.is_file():
        if workspace.published.is_symlink():
            yield Concern(
                "published", "broken", "What is published is gone or not whole; `kitfare refresh` publishes again"
            )
        else:
            yield Concern("published", "waits", "Nothing is published yet; run `kitfare refresh`")
        return
    found: list[Concern] = []
    try:
        with asking(database) as ask:
            for concern in _of_generation(workspace, ask, rules, now):
                found.append(concern)
    except (KitfareError, OSError) as error:
        words = f"What is published can't be read; `kitfare verify` shows what is damaged: {_one_line(str(error))}"
        found.insert(0, Concern("published", "broken", words))
    yield from found


def _of_generation(workspace: Workspace, ask: Asked, rules: RefreshSettings, now: datetime) -> Iterator[Concern]:
    today = local_date(now)
    yield from _age(ask, rules, today)
    silent = [] if rules.priced_on not in ("today", "latest_export") else silent_vendors(ask, today)
    if silent:
        named = "; ".join(silent[:NAMED]) + (f"; and {len(silent) - NAMED} more" if len(silent) > NAMED else "")
        yield Concern("silent", "waits", f"Vendors silent beyond their own rhythm: {named}")
    hashes = {row["file_hash"] for row in ask(_WAITING)}
    try:
        hashes -= set(workspace_files.read_workspace_table(workspace, ACCEPTED_EXPORTS)["file_hash"].to_list())
    except (KitfareError, OSError) as error:
        yield Concern("inputs", "broken", f"tables/{ACCEPTED_EXPORTS.name} can't be used: {_one_line(str(error))}")
    if hashes:
        yield Concern(
            "waiting", "waits", f"Exports that wait for `kitfare accept` or `kitfare withdraw`: {len(hashes)}"
        )
    (counts,) = ask(_QUARANTINED)
    if counts["row_count"] or counts["whole_count"]:
        rows = f"{counts['row_count']} rows of {counts['file_count']} files"
        yield Concern("quarantined", "waits", f"Quarantined: {rows}, and {counts['whole_count']} whole files")
    if refused := ask(_REFUSED):
        named = ", ".join(row["model_code"] for row in refused[:NAMED]) + (", ..." if len(refused) > NAMED else "")
        yield Concern("models", "waits", f"Models with a plan that failed a check and must not be used: {named}")
    (suspects,) = ask(_SUSPECTS)
    if suspects["suspect_count"]:
        yield Concern("suspects", "known", f"Suspect prices that stay out of plans: {suspects['suspect_count']}")


def _age(ask: Asked, rules: RefreshSettings, today: date) -> Iterator[Concern]:
    (row,) = ask("select max(priced_on) as priced_on from refresh_run")
    if row["priced_on"] is None:
        return
    days = (today - row["priced_on"]).days
    words = f"What is published is {days} days old: prices of {row['priced_on']}"
    if days > oldest_days(rules):
        yield Concern("old", "waits", words)
    elif days > 1:
        yield Concern("old", "known", words)


def oldest_days(rules: RefreshSettings) -> int:
    """The age in days from which a published date is worth a person's attention.

    A workspace that prices today is a day old between two nights; one that prices another date is so with its prices.
    """
    if rules.priced_on == "today" and rules.expected_every_hours:
        return ceil(rules.expected_every_hours / 24)
    return rules.stale_after_days


def silent_vendors(ask: Asked, today: date) -> list[str]:
    """Vendors that are open and whose latest export is older than twice their usual interval and a day, in words.

    The usual interval is the median of those between a vendor's latest exports on different dates.
    """
    closed = {row["vendor_code"] for row in ask(_CLOSED.format(day=today.isoformat()))}
    dates: dict[str, list[date]] = {}
    for row in ask(_EXPORTS.format(count=RHYTHM_EXPORTS)):
        dates.setdefault(row["vendor_code"], []).append(row["observed_on"])
    found = []
    for vendor, days in dates.items():
        if vendor in closed or len(days) < LEAST_EXPORTS:
            continue
        usual = median((later - earlier).days for earlier, later in zip(days, days[1:], strict=False))
        if today - days[-1] > timedelta(days=2 * usual + 1):
            found.append(f"{vendor} (last export {days[-1]}, usually every {_days(usual)})")
    return found


def _disk(workspace: Workspace, now: datetime) -> Iterator[Concern]:
    """The disk of the workspace, if it has too little room for a refresh, or soon will."""
    needed = disk_use.needed_bytes(workspace)
    for name, free, _ in disk_use.disks(workspace):
        words = f"{disk_use.size_text(free)} are free on the disk of {name}"
        if free < needed:
            yield Concern("disk", "waits", f"{words}; a refresh may need {disk_use.size_text(needed)}")
    use = disk_use.growth(workspace)
    today = local_date(now)
    full_on = use.full_on(disk_use.free_bytes(workspace), today) if use else None
    if full_on is not None and (full_on - today).days < SOON_DAYS:
        yield Concern("disk", "waits", f"The disk will be full about {full_on}, as the workspace grew lately")


def _notices(workspace: Workspace) -> Iterator[Concern]:
    tried = [notice for _, _, notice in delivery.waiting(workspace) if notice.tries]
    if tried:
        last: dict[str, Any] = max(
            (attempt for notice in tried for attempt in notice.tries), key=lambda each: each["at"]
        )
        words = f"{len(tried)} notices could not be passed on; last to {last['to']}: {last['fault']}"
        yield Concern("notices", "waits", _one_line(words))


def _records(workspace: Workspace) -> Iterator[Concern]:
    if damaged := run_record.unreadable(workspace):
        names = ", ".join(path.name for path in damaged[:NAMED])
        yield Concern(
            "records", "known", f"Records of refreshes that can't be read: {len(damaged)} ({names}); delete them"
        )


def local_date(moment: datetime) -> date:
    """The date here at a time in UTC."""
    return moment.replace(tzinfo=UTC).astimezone().date()


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _days(count: float) -> str:
    return "day" if count == 1 else f"{count:g} days"
