"""Installs the invented scenario of demo_inputs/: its workspace files, and the price exports that it writes."""

from __future__ import annotations

import importlib
import importlib.util
import os
import shutil
import sys
import time
from pathlib import Path
from types import ModuleType

from pipelines.resources import resource_folder

_PACKAGE = "kitfare_demo_inputs"


def install_demo(root: Path) -> None:
    """Make the demo's workspace in a folder, which may exist: settings, tables, models, profiles, price exports.

    It takes a few seconds and needs no network. The files are the same byte for byte on every call.
    """
    workspace = resource_folder("demo_inputs") / "workspace"
    for path in sorted(workspace.rglob("*")):
        if path.is_file() and path.name != "kitfare.toml":
            target = root / path.relative_to(workspace)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
    for name in ("taken", "quarantine"):
        (root / name).mkdir(parents=True, exist_ok=True)
    demo_module("make_exports").make_exports(root / "inbox")
    # They are whole, so the first refresh need not wait until they are still.
    an_hour_ago = time.time() - 3600
    for path in (root / "inbox").iterdir():
        os.utime(path, (an_hour_ago, an_hour_ago))
    # Last, because it is what makes the folder a workspace.
    shutil.copyfile(workspace / "kitfare.toml", root / "kitfare.toml")


def demo_module(name: str) -> ModuleType:
    """A module of demo_inputs/. A wheel carries that folder as data, so it is loaded from its path."""
    if _PACKAGE not in sys.modules:
        folder = resource_folder("demo_inputs")
        spec = importlib.util.spec_from_file_location(
            _PACKAGE, folder / "__init__.py", submodule_search_locations=[str(folder)]
        )
        assert spec is not None and spec.loader is not None
        package = importlib.util.module_from_spec(spec)
        sys.modules[_PACKAGE] = package
        spec.loader.exec_module(package)
    return importlib.import_module(f"{_PACKAGE}.{name}")
