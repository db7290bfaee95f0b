"""The folders and files of a workspace: where everything a user gives and everything kitfare keeps is."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from pipelines.errors import UsageError
from pipelines.plain_files import oddity
from pipelines.settings import Settings
from pipelines.settings_base import load_toml

PUBLIC = "public"
"""In what is published: the folder that may be uploaded as it is."""
PRIVATE = "private"
"""In what is published: the folder with details, order lists, tables and the database."""
DATABASE = f"{PRIVATE}/kitfare.duckdb"
"""The database of what is published."""


@dataclass(frozen=True)
class Workspace:
    """The user's folder and the paths in it."""

    root: Path

    def __post_init__(self) -> None:
        settings = self.root / "kitfare.toml"
        if words := oddity(settings):
            raise UsageError(
                f"kitfare.toml is {words}, not a plain file",
                where=str(settings),
                next_step="put the file back; `kitfare init DIR` writes one into a new workspace",
            )
        if not settings.is_file():
            raise UsageError(
                f"{self.root} is not a kitfare workspace: it has no kitfare.toml",
                next_step="run `kitfare init DIR`, or give --workspace DIR",
            )

    @property
    def inbox(self) -> Path:
        """Where price exports are dropped."""
        return self.root / "inbox"

    @property
    def quarantined(self) -> Path:
        """Where rows that failed validation wait to be corrected."""
        return self.root / "quarantine"

    @property
    def taken(self) -> Path:
        """Files that were taken in, by day, for some time."""
        return self.root / "taken"

    @property
    def archive(self) -> Path:
        """Every input, under its content hash."""
        return self.root / "archive"

    @property
    def profiles(self) -> Path:
        """One TOML file per source of price files."""
        return self.root / "profiles"

    @property
    def tables(self) -> Path:
        """The workspace's own tables."""
        return self.root / "tables"

    @property
    def models(self) -> Path:
        """One folder per model."""
        return self.root / "models"

    @property
    def warehouse(self) -> Path:
        """The warehouse, written by one refresh at a time."""
        return self.root / "warehouse.duckdb"

    @property
    def generations(self) -> Path:
        """The latest published results, a folder each."""
        return self.root / "generations"

    @property
    def published(self) -> Path:
        """Symbolic link to the results that readers see."""
        return self.root / "published"

    @property
    def public(self) -> Path:
        """The published pages that may be uploaded as they are."""
        return self.published / PUBLIC

    @property
    def private(self) -> Path:
        """What is published for the user alone."""
        return self.published / PRIVATE

    @property
    def database(self) -> Path:
        """The database that readers see."""
        return self.published / DATABASE

    @property
    def runs(self) -> Path:
        """What became of each refresh: a record each, no input of anything."""
        return self.root / "runs"

    def settings(self) -> Settings:
        """kitfare.toml, checked."""
        return load_toml(self.root / "kitfare.toml", Settings)

    def why_no_commands(self) -> str:
        """Why programs that kitfare.toml names must not run, in a sentence: others could have written it; or "".

        Whoever may write to the file, or to a folder on the way to it, would choose what runs as this user.
        """
        settings = (self.root / "kitfare.toml").resolve()
        for place in (settings, self.root.resolve(), *settings.parents, *self.root.resolve().parents):
            found = place.stat()
            if found.st_uid not in (os.geteuid(), 0):
                return f"no command of kitfare.toml is run: {place} belongs to another user; make it yours with chown"
            is_sticky = stat.S_ISDIR(found.st_mode) and found.st_mode & stat.S_ISVTX
            if not is_sticky and (found.st_mode & stat.S_IWOTH or found.st_mode & stat.S_IWGRP and _is_shared(found)):
                return f"no command of kitfare.toml is run: others can write to {place}; type: chmod go-w '{place}'"
        return ""


def _is_shared(found: os.stat_result) -> bool:
    """Whether a file's group may have other members than its owner: all but the group that bears the owner's name."""
    import grp
    import pwd

    try:
        group, owner = grp.getgrgid(found.st_gid), pwd.getpwuid(found.st_uid)
    except KeyError:
        return True
    return group.gr_name != owner.pw_name or bool(set(group.gr_mem) - {owner.pw_name})
