"""Copies the public pages to a folder of the user's: a web root, or one that another program uploads."""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import shutil
from pathlib import Path

from pipelines.errors import KitfareError, UsageError
from pipelines.inputs import WorkspaceInputs
from pipelines.reporting.leak_check import check_public
from pipelines.workspace import Workspace

MARK = ".kitfare-public"
"""An empty file in a copy: a folder that has it may be replaced."""
_NEW = ".kitfare-new"
_EXCHANGE, _HERE = 2, -100
"""RENAME_EXCHANGE and AT_FDCWD of Linux (renameat2(2))."""


def copy_public(workspace: Workspace, inputs: WorkspaceInputs, target: Path) -> int:
    """Make ``target`` a copy of the public folder that readers see now; what is gone there goes here, too.

    The copy is made beside the target and takes its place in one step where the file system can exchange two folders; where
    it can't, the target is missing for a moment.

    Args:
        workspace: whose pages are copied.
        inputs: as they are now: what its models keep private by now is not copied.
        target: is made; or is empty; or is an earlier copy.

    Returns:
        The number of files.

    Raises:
        UsageError: nothing is published; or the target has other things, or is the workspace or part of it.
        CheckFailedError: a public file has what a model keeps private.
        KitfareError: the system refused to write; the target is as before.
    """
    if not workspace.public.is_dir():
        raise UsageError("nothing is published in this workspace yet", next_step="run `kitfare refresh`")
    source, target = workspace.public.resolve(), target.resolve()
    _refuse_other_folders(workspace, target)
    check_public(source, inputs)
    new = target.with_name(target.name + _NEW)
    try:
        shutil.rmtree(new, ignore_errors=True)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copytree(source, new)
        (new / MARK).touch()
        _put_in_place(new, target)
        shutil.rmtree(new, ignore_errors=True)
    except OSError as error:
        shutil.rmtree(new, ignore_errors=True)
        raise KitfareError(
            f"the pages can't be copied: {error.strerror or error}",
            where=str(error.filename or target),
            state="what was in the folder before is still there",
            next_step="give a folder that you may write to",
        ) from None
    return sum(path.is_file() for path in source.rglob("*"))


def _refuse_other_folders(workspace: Workspace, target: Path) -> None:
    root = workspace.root.resolve()
    if target == root or root in target.parents or target in root.parents:
        raise UsageError(
            "the workspace itself can't take the copy",
            where=str(target),
            next_step="give a folder outside of the workspace",
        )
    if target.exists() and not target.is_dir():
        raise UsageError("this is a file, not a folder", where=str(target), next_step="give a folder")
    if target.is_dir() and any(target.iterdir()) and not (target / MARK).is_file():
        raise UsageError(
            "the folder has files that kitfare did not copy there; all of them would be removed",
            where=str(target),
            next_step=f"give an empty folder; or, if it may be replaced, put an empty file {MARK} into it",
        )


def _put_in_place(new: Path, target: Path) -> None:
    """Let the new folder be the target; the old one, if any, takes the new one's name."""
    if not target.exists():
        new.rename(target)
        return
    if not _exchanged(new, target):
        old = target.with_name(target.name + ".kitfare-old")
        shutil.rmtree(old, ignore_errors=True)
        target.rename(old)
        new.rename(target)
        shutil.rmtree(old)


def _exchanged(new: Path, target: Path) -> bool:
    """Exchange two folders in one step; False where the system or the file system can't."""
    rename = getattr(ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True), "renameat2", None)
    if rename is None:
        return False
    return bool(rename(_HERE, os.fsencode(new), _HERE, os.fsencode(target), _EXCHANGE) == 0)
