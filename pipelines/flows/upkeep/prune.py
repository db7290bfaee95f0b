"""What may go from a workspace by stated rules: only what can be made again, and never the archive."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipelines.flows.refresh import only_refresh
from pipelines.flows.runs import concerns, disk_use
from pipelines.intake.archiving import taken_files
from pipelines.settings_refresh import RefreshSettings
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace


@dataclass(frozen=True)
class Prunable:
    """Files and folders of one kind that may go.

    Args:
        kind: a short name.
        rule: which of them go, with the setting that says so.
        paths: those that may go now.
        used_bytes: what they take.
    """

    kind: str
    rule: str
    paths: tuple[Path, ...]
    used_bytes: int


def prunable(workspace: Workspace, now: datetime) -> list[Prunable]:
    """What may go, by kind; a kind of which nothing may go is there with its rule.

    Args:
        workspace: is only read.
        now: UTC.

    Raises:
        SettingsError: kitfare.toml can't be used.
    """
    rules = workspace.settings().refresh
    kinds = (
        (
            "generations",
            f"published results beyond the latest {rules.keep_generations} (keep_generations)",
            generation.beyond_kept(workspace, rules.keep_generations),
        ),
        (
            "taken",
            f"taken in more than {rules.keep_taken_days} days ago (keep_taken_days)",
            _taken(workspace, rules, now),
        ),
        (
            "plans",
            f"kept plans not used for {rules.keep_plans_days} days (keep_plans_days)",
            _older(workspace.root / ".plan_cache", "*.plan", now - timedelta(days=rules.keep_plans_days)),
        ),
        (
            "old warehouse",
            f"left by a rebuild more than {rules.keep_old_warehouse_days} days ago (keep_old_warehouse_days)",
            _older(workspace.root, "warehouse.duckdb.before*", now - timedelta(days=rules.keep_old_warehouse_days)),
        ),
    )
    return [Prunable(kind, rule, tuple(paths), sum(map(disk_use.bytes_of, paths))) for kind, rule, paths in kinds]


def prune(workspace: Workspace, now: datetime) -> list[Prunable]:
    """Remove what may go, and return it.

    Raises:
        BusyError: a refresh is at work.
        SettingsError: kitfare.toml can't be used.
    """
    with only_refresh(workspace):
        found = prunable(workspace, now)
        rules = workspace.settings().refresh
        generation.prune(workspace, rules.keep_generations)
        changed = [each.path for each in taken_files.changed_files(workspace.taken, workspace.archive)]
        taken_files.remove_old(workspace.taken, changed, concerns.local_date(now), rules.keep_taken_days)
        for each in found:
            if each.kind in ("plans", "old warehouse"):
                for path in each.paths:
                    path.unlink(missing_ok=True)
    return found


def _taken(workspace: Workspace, rules: RefreshSettings, now: datetime) -> list[Path]:
    changed = [each.path for each in taken_files.changed_files(workspace.taken, workspace.archive)]
    return taken_files.old_files(workspace.taken, changed, concerns.local_date(now), rules.keep_taken_days)


def _older(folder: Path, pattern: str, moment: datetime) -> list[Path]:
    """Files last written, or used, before a moment (UTC)."""
    seconds = moment.replace(tzinfo=UTC).timestamp()
    return [path for path in sorted(folder.glob(pattern)) if path.stat().st_mtime < seconds]
