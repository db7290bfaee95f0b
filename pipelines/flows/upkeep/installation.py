"""Checks of the installation: Python, libraries, files of the package, drawings, time zone."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from importlib import metadata

from pipelines import __version__
from pipelines.flows.upkeep.check_result import CheckResult
from pipelines.resources import resource_folder

_INSTALL = "install kitfare again with the versions of requirements.lock"


def findings() -> Iterator[CheckResult]:
    """What is true of the installation."""
    yield from _libraries()
    yield from _files()
    yield from _drawings()
    yield from _time_zone()


def _libraries() -> Iterator[CheckResult]:
    python = ".".join(map(str, sys.version_info[:3]))
    try:
        needed = metadata.requires("kitfare") or []
    except metadata.PackageNotFoundError:
        yield CheckResult("libraries", "advice", "kitfare is not installed as a package", _INSTALL)
        return
    wrong = [words for line in needed if "extra ==" not in line and (words := unmet(line))]
    if wrong:
        yield CheckResult("libraries", "fault", f"Libraries are not as needed: {'; '.join(wrong)}", _INSTALL)
    else:
        shown = ", ".join(f"{name} {metadata.version(name)}" for name in ("duckdb", "polars", "prefect"))
        yield CheckResult("libraries", "well", f"kitfare {__version__} on Python {python}, {shown}")


def unmet(requirement: str) -> str:
    """Why a requirement such as ``duckdb>=2.0.1`` is not met, in words; empty if it is. Knows >= and == only."""
    found = re.match(r"([A-Za-z0-9._-]+)(?:\[[^\]]*\])?\s*(>=|==)?\s*([0-9.]*)", requirement)
    if found is None:
        return ""
    name, sign, least = found.groups()
    try:
        present = metadata.version(name)
    except metadata.PackageNotFoundError:
        return f"{name} is missing"
    one, other = _numbers(present), _numbers(least)
    is_met = not sign or (one[: len(other)] == other if sign == "==" else one >= other)
    return "" if is_met else f"{name} is {present}, needed is {sign} {least}"


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version.partition("+")[0]))


def _files() -> Iterator[CheckResult]:
    for name in ("sql", "reports", "demo_inputs"):
        try:
            resource_folder(name)
        except FileNotFoundError as error:
            yield CheckResult("package", "fault", str(error), _INSTALL)


def _drawings() -> Iterator[CheckResult]:
    """Vega's own fonts measure the text of drawings: a drawing whose words take no room has none."""
    import vl_convert

    def width(text: str) -> float:
        spec = {
            "data": {"values": [{}]},
            "mark": "point",
            "title": {"text": text, "angle": 90},
            "width": 1,
            "height": 1,
        }
        drawn = vl_convert.vegalite_to_svg(spec)
        return float(re.search(r'viewBox="\S+ \S+ \S+ (\S+)"', drawn)[1])  # type: ignore[index]

    try:
        is_measured = width("wide words " * 8) > width("x")
    except Exception as error:
        yield CheckResult("fonts", "fault", f"Drawings can't be made: {str(error).splitlines()[0]}", _INSTALL)
        return
    if is_measured:
        yield CheckResult("fonts", "well", "Drawings are made, and their fonts are found")
    else:
        yield CheckResult("fonts", "fault", "The fonts of drawings are not found: texts would overlap", _INSTALL)


def _time_zone() -> Iterator[CheckResult]:
    from tzlocal import get_localzone_name

    try:
        yield CheckResult("time zone", "well", f"The time zone is {get_localzone_name()}")
    except Exception:
        yield CheckResult(
            "time zone",
            "advice",
            "This machine's time zone has no name, so `kitfare schedule` needs --time-zone",
            "set the time zone of the machine, for instance with timedatectl",
        )
