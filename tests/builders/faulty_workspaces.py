"""The workspace that faults are made in, and all that can be seen of one."""

import re
import shutil
from pathlib import Path

import polars as pl

from pipelines.flows.refresh import refresh
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import tables
from pipelines.workspace import Workspace
from tests.builders.workspaces import export, make_workspace

CLOCKS = {
    "intake_file": ["received_at"],
    "refresh_run": ["started_at", "finished_at", "step_seconds", "row_count"],
}
"""What may differ between two refreshes of the same inputs."""

OFFER_COUNT = 400

PARTS = "line_number,part_code,colour_code,quantity\n1,00007,red,9\n2,00011,red,30\n3,00390,red,4\n4,00501,red,1\n"
"""Of the model; nobody offers the last line."""


def first_night(root: Path) -> Workspace:
    """Two vendors' exports, taken in, planned for one small model, and published."""
    place = make_workspace(root)
    (place.models / "hut" / "parts.csv").write_text(PARTS)
    for path in place.inbox.iterdir():
        path.unlink()
    for vendor in ("north", "south"):
        (place.inbox / f"{vendor}-1.csv").write_text(many(vendor, "2026-10-01", 0))
    refresh(place)
    return place


def drop_new_files(place: Workspace) -> None:
    """Exports in which prices move, one of them with rows to quarantine, one of them twice, and one that is not readable at all."""
    for number, day in enumerate(("2026-10-02", "2026-10-03"), 1):
        for vendor in ("north", "south"):
            (place.inbox / f"{vendor}-{number + 1}.csv").write_text(many(vendor, day, number))
    broken = many("north", "2026-10-04", 9).replace("EUR", "EURO", 3)
    (place.inbox / "north-4.csv").write_text(broken)
    (place.inbox / "twice.csv").write_text(many("north", "2026-10-02", 1))
    (place.inbox / "letter.txt").write_text("no table at all\n")


def many(vendor: str, day: str, seed: int) -> str:
    """A full export: each vendor has prices of its own, which move a little with the seed, as a plausible export's do."""
    step = 7 if vendor == "north" else 11
    offers = [
        (f"{n:05d}", "red", f"0.{(n * step) % 83 + 10 + seed * (n % 5) % 7}", (n * 3 + seed) % 50 + 1)
        for n in range(OFFER_COUNT)
        if (n + seed) % 23
    ]
    return export(vendor, day, *offers)


def copied(template: Workspace, root: Path) -> Path:
    return Path(shutil.copytree(template.root, root, symlinks=True))


def state_of(place: Workspace) -> dict[str, object]:
    """Published files, the warehouse's tables, folders and archive, without clocks; equal for equal workspaces."""
    seen = place.published.resolve()
    found: dict[str, object] = {"published": seen.name, **published_of(seen)}
    with connect.reader(place.warehouse) as con:
        for name, frame in tables.intake_tables(con).items():
            found[f"warehouse {name}"] = frame.drop(CLOCKS.get(name, [])).write_csv()
    recorded = [place.root / name for name in (index_vintages.FOLDER, night_costs.FOLDER)]
    for folder in (place.inbox, place.quarantined, *recorded):
        found[folder.name] = _files(folder)
    # What a refresh records, the next one reads and archives: whether that has happened depends on how many ran.
    known = {content for folder in recorded for _, content in _files(folder)}
    found["archive"] = [(name, content) for name, content in _files(place.archive) if content not in known]
    found["generations left half"] = [path.name for path in place.generations.iterdir() if "." in path.name]
    return found


def published_of(folder: Path) -> dict[str, object]:
    """The tables and pages of a generation, without clocks."""
    found: dict[str, object] = {}
    for path in sorted((folder / "private/tables").glob("*.parquet")):
        frame = pl.read_parquet(path).drop(CLOCKS.get(path.stem, []))
        found[f"table {path.stem}"] = frame.write_csv()
    for path in sorted(folder.rglob("*.html")):
        found[path.relative_to(folder).as_posix()] = re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?", "", path.read_text())
    return found


def _files(folder: Path) -> list[tuple[str, bytes]]:
    return sorted(
        (path.relative_to(folder).as_posix(), path.read_bytes())
        for path in folder.rglob("*")
        if path.is_file() and path.parent.name != "journal"
    )


def differences(one: dict[str, object], other: dict[str, object]) -> list[str]:
    """The names of what differs: short enough to be read when a test fails."""
    return [name for name in sorted(one.keys() | other.keys()) if one.get(name) != other.get(name)]
