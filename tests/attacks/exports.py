"""Hostile files and wrong exports: the fuzzer's nights, and a market in which some exports are wrong."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys

from tests.attacks import market_nights, wrong_nights
from tests.attacks.results import Attack, Result
from tests.attacks.runs import ROOT
from tests.attacks.work import Ground, folder_of, numbered

HOSTILE = Attack(
    "hostile-files", "No file stops a night: one that can't be read, checked or loaded is quarantined, with its fault in words.",
    "Files of random bytes, names, dates, JSON, spreadsheets and more, ten a night", "files", "FILES", 20_000,
)  # fmt: skip
WRONG = Attack(
    "wrong-exports",
    "An export that is wrong waits, is quarantined or is reported, or it changes no cost; once withdrawn, it is as if it had never come.",
    "Wrong exports of every kind mixed into nights of good ones, two a night; then all are withdrawn", "wrong exports", "WRONG", 200, is_alone=True,
)  # fmt: skip

_FUZZER = "tests/intake/test_hostile_nights.py"


def hostile_files(ground: Ground, number: int, left: int) -> Result:
    """Run the fuzzer, at most 2000 files at once; hypothesis has a seed of its own for each part."""
    if not (ROOT / _FUZZER).is_file():
        return Result(number, not_run=f"{_FUZZER} is not there")
    count = min(left, 2000)
    seed = numbered(ground.seed, number)
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-s",
        "-p",
        "no:cacheprovider",
        f"--hypothesis-seed={seed}",
        _FUZZER,
    ]
    environment = {**os.environ, "KITFARE_HOSTILE_FILES": str(count)}
    ended = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True)
    tried = re.search(r"hostile files tried: (\d+)", ended.stdout)
    if not tried:
        return Result(number, not_run=f"the fuzzer did not run: {(ended.stdout + ended.stderr)[-300:]}")
    broken = [] if ended.returncode == 0 else [f"part {number}: {line}" for line in _failures(ended.stdout)]
    return Result(number, int(tried[1]), {}, broken)


def _failures(output: str) -> list[str]:
    return [line for line in output.splitlines() if line.startswith(("FAILED", "ERROR", "E  "))][:5] or [output[-300:]]


def wrong_exports(ground: Ground, number: int, left: int) -> Result:
    """A whole world: half as many nights as wrong exports."""
    seed, folder = numbered(ground.seed, number), folder_of(ground, number)
    market = market_nights.nights(max(left // 2, 6), seed)
    seen = wrong_nights.live(folder, market, wrong_nights.mixed(market, left, seed))
    if not seen.broken:
        shutil.rmtree(folder)
    figures = {
        "nights": len(market), "that wait or are quarantined": seen.caught.total(), "that count and are reported": seen.said.total(),
        "harmless in silence": seen.harmless.total(), **seen.false_alarms,
    }  # fmt: skip
    return Result(number, left, figures, seen.broken)
