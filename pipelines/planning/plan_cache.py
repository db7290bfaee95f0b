"""Keeps plans under the hash of everything that shaped them, so that each is made once.

An entry is one file, written beside its place and renamed into it, so that a killed night leaves no half entry. An entry that
can't be read whole counts as absent and is written again.
"""

from __future__ import annotations

import hashlib
import io
import os
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl
from polars import selectors

_SEAL_LENGTH = 32  # an entry begins with the SHA-256 of the rest


def digest(*values: Any) -> str:
    """SHA-256 over values in order: frames by their columns, types and rows; anything else by its ``repr``."""
    state = hashlib.sha256()
    for value in values:
        if isinstance(value, pl.DataFrame):
            buffer = io.BytesIO()
            value.with_columns(selectors.list().list.join("\x1f")).write_csv(buffer, null_value="\x00")
            state.update(f"\x00{value.schema}\x00".encode() + buffer.getvalue())
        else:
            state.update(f"\x00{value!r}\x00".encode())
    return state.hexdigest()


class PlanCache:
    """Frames by key in a folder.

    Args:
        folder: made when the first entry is stored.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, key: str) -> Path:
        """The file of an entry."""
        return self.folder / f"{key}.plan"

    def fetch(self, key: str, schemas: Mapping[str, pl.Schema]) -> dict[str, pl.DataFrame] | None:
        """The frames of an entry; None unless it is whole and has these tables and columns."""
        path = self.path(key)
        try:
            content = path.read_bytes()
        except OSError:
            return None
        seal, payload = content[:_SEAL_LENGTH], content[_SEAL_LENGTH:]
        if hashlib.sha256(payload).digest() != seal:
            return None
        with zipfile.ZipFile(io.BytesIO(payload)) as archive:
            if not set(schemas) <= set(archive.namelist()):
                return None
            frames = {name: pl.read_ipc(io.BytesIO(archive.read(name))) for name in schemas}
        if any(frames[name].schema != schema for name, schema in schemas.items()):
            return None
        os.utime(path)
        return frames

    def store(self, key: str, frames: Mapping[str, pl.DataFrame]) -> None:
        """Write an entry, whole or not at all, over what is in its place."""
        payload = io.BytesIO()
        with zipfile.ZipFile(payload, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, frame in sorted(frames.items()):
                buffer = io.BytesIO()
                frame.write_ipc(buffer)
                archive.writestr(name, buffer.getvalue())
        self.folder.mkdir(parents=True, exist_ok=True)
        beside = self.folder / f".{key}.{os.getpid()}.tmp"
        beside.write_bytes(hashlib.sha256(payload.getvalue()).digest() + payload.getvalue())
        beside.replace(self.path(key))

    def prune(self, keep: int) -> None:
        """Remove the least recently used entries beyond ``keep``, and what killed processes left."""
        if not self.folder.is_dir():
            return
        for leftover in self.folder.glob(".*.tmp"):
            leftover.unlink(missing_ok=True)
        entries = sorted(self.folder.glob("*.plan"), key=lambda path: (path.stat().st_mtime, path.name))
        for path in entries[: max(0, len(entries) - keep)]:
            path.unlink(missing_ok=True)
