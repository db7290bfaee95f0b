"""Peak memory of the demo's refresh: the command and every process it starts, added up while it runs (Linux only).

Run: python -m tests.benchmarks.memory_bench [--tree DIR] [--keep DIR]

The proportional set size (PSS, /proc/<pid>/smaps_rollup) counts a page that several processes share once in all;
the resident set size (RSS) counts it in each. Both are sampled, so a peak shorter than the interval can be missed.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

INTERVAL_SECONDS = 0.1


@dataclass(frozen=True)
class Sample:
    """Memory of a process and all its descendants at one moment, in MB (10^6 bytes)."""

    processes: int
    rss: float
    pss: float


def main() -> None:
    """Make the demo's workspace, refresh it, and print the highest samples."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tree", type=Path, default=Path.cwd(), help="the checkout to measure; default: this one")
    parser.add_argument(
        "--keep", type=Path, help="a folder for the workspace, which stays; if it is there, what is in it is refreshed"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="kitfare-memory-") as name:
        measure(given.tree.resolve(), given.keep or Path(name) / "demo")


def measure(tree: Path, place: Path) -> None:
    """Measure one refresh of a demo workspace, by the code of a checkout; a new one is made if the folder is not there."""
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    kitfare = [sys.executable, "-m", "pipelines.cli.main"]
    if not place.exists():
        subprocess.run([*kitfare, "init", str(place), "--demo"], cwd=tree, env=environment, check=True)
    output = place / "refresh.txt"
    began = time.monotonic()
    with output.open("w") as messages:
        command = [*kitfare, "refresh", "--workspace", str(place)]
        process = subprocess.Popen(command, cwd=tree, env=environment, stdout=messages, stderr=messages)
        by_step: dict[str, Sample] = {}
        while process.poll() is None:
            step, seen = _latest_step(output.read_text()), sample(process.pid)
            by_step[step] = max(by_step.get(step, seen), seen, key=lambda one: one.pss)
            time.sleep(INTERVAL_SECONDS)
    seconds = time.monotonic() - began
    if process.returncode:
        sys.exit(f"the refresh ended with {process.returncode}: {output.read_text()}")
    for step, seen in by_step.items():
        print(f"{step:32} {seen.pss:7.0f} MB PSS {seen.rss:7.0f} MB RSS {seen.processes:3} processes")
    peak = max(by_step.values(), key=lambda one: one.pss)
    print(f"peak: {peak.pss:.0f} MB PSS, {peak.rss:.0f} MB RSS, {peak.processes} processes; {seconds:.0f} s")


def sample(root: int) -> Sample:
    """The memory of a process and its descendants; a process that ends meanwhile counts as nothing."""
    family = descendants(root)
    found = [memory for memory in map(_memory_of, family) if memory is not None]
    return Sample(len(found), sum(rss for rss, _ in found) / 1000, sum(pss for _, pss in found) / 1000)


def descendants(root: int) -> list[int]:
    """A process and all that descend from it."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                # The name in brackets may hold anything; the parent's id is the second word after it.
                parent = int((entry / "stat").read_text(errors="replace").rpartition(")")[2].split()[1])
            except (OSError, IndexError, ValueError):
                continue
            children.setdefault(parent, []).append(int(entry.name))
    family = [root]
    for process in family:
        family += children.get(process, [])
    return family


def _memory_of(process: int) -> tuple[float, float] | None:
    """RSS and PSS of a process in kB."""
    try:
        text = Path(f"/proc/{process}/smaps_rollup").read_text()
    except OSError:
        return None
    found = dict(re.findall(r"(?m)^(Rss|Pss): +(\d+) kB$", text))
    return (float(found["Rss"]) * 1.024, float(found["Pss"]) * 1.024) if found else None


def _latest_step(output: str) -> str:
    return next(iter(re.findall(r"(?m)^(.+) \.\.\.$", output)[-1:]), "start")


if __name__ == "__main__":
    main()
