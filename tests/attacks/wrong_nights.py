"""Two workspaces live through the same nights; one gets wrong exports as well, and must end equal once they are withdrawn."""

from __future__ import annotations

import hashlib
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Self

import polars as pl
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows import refresh
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import tables
from pipelines.workspace import Workspace
from tests.attacks.market_nights import VENDORS, MarketNight, make_place
from tests.builders import wrong_exports
from tests.builders.faulty_workspaces import differences
from tests.builders.programs.fault_work import accounted

ABOUT_FILES = {
    "intake_file", "input_file", "quarantined_row", "corrected_row", "withdrawn_files", "refresh_run", "check_result", "export_finding",
}  # fmt: skip
"""Published tables that list the files that were taken in, the wrong ones too, or clocks."""
KINDS = [name for name, kind in wrong_exports.KINDS.items() if kind.is_noticed]
FILE_COLUMNS = ("refresh_id", "revision_number")


@dataclass(frozen=True)
class Wrong:
    """A wrong export: what is wrong with it, the name it is dropped under, its bytes."""

    kind: str
    file_name: str
    content: bytes

    @property
    def file_hash(self) -> str:
        """Its SHA-256."""
        return hashlib.sha256(self.content).hexdigest()


@dataclass
class Seen:
    """What became of the wrong exports.

    Args:
        caught: per kind, those that wait or are quarantined, whole or in part.
        said: per kind, those that counted and were named in a message.
        harmless: per kind, those that counted in silence and changed no cost.
        broken: what was not as promised.
        false_alarms: good exports that waited or were quarantined: in the workspace that saw no wrong ones, and in the other.
    """

    caught: Counter[str] = field(default_factory=lambda: Counter())
    said: Counter[str] = field(default_factory=lambda: Counter())
    harmless: Counter[str] = field(default_factory=lambda: Counter())
    broken: list[str] = field(default_factory=list)
    false_alarms: Counter[str] = field(default_factory=lambda: Counter())

    @property
    def count(self) -> int:
        """Wrong exports in all."""
        return sum((self.caught + self.said + self.harmless).values())


@contextmanager
def clock_at(moment: datetime) -> Iterator[None]:
    """Let a refresh believe that it is then, UTC."""

    class Frozen(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Self:
            return cls.combine(moment.date(), moment.time(), tz)

    plain = vars(refresh)["datetime"]
    vars(refresh)["datetime"] = Frozen
    try:
        yield
    finally:
        vars(refresh)["datetime"] = plain


def live(folder: Path, market: Sequence[MarketNight], wrong: Sequence[Sequence[Wrong]]) -> Seen:
    """Let both workspaces live through the nights, then withdraw every wrong export, and compare.

    Args:
        folder: for the two workspaces.
        market: the nights.
        wrong: for each night, the wrong exports that come with the good ones.
    """
    seen = Seen()
    clean, attacked = make_place(folder / "clean"), make_place(folder / "attacked")
    silent: list[Wrong] = []
    for night, extra in zip(market, wrong, strict=True):
        good = {night.file_name(vendor): night.export(vendor).encode() for vendor in night.offers}
        names = {one.file_name for one in extra}
        assert len(names) == len(extra) and not names & good.keys(), "files of the same name"
        _refreshed(clean, night.day, good)
        messages = _refreshed(attacked, night.day, good | {one.file_name: one.content for one in extra})
        for place, name in ((clean, "good exports in doubt"), (attacked, "good exports in doubt beside wrong ones")):
            standing = standings(place)
            seen.false_alarms[name] += sum(_is_caught(standing, content) for content in good.values())
        silent += _sorted_out(seen, standings(attacked), extra, messages)
    last = market[-1].day
    every = [one for extra in wrong for one in extra]
    if silent:
        # With all others withdrawn, what is left differs by these alone, on every night.
        _withdraw(attacked, [one for one in every if one not in silent])
        _refreshed(attacked, last, {})
        if _records(attacked)[night_costs.FOLDER] == _records(clean)[night_costs.FOLDER]:
            seen.harmless.update(one.kind for one in silent)
        else:
            seen.broken += [f"{one.file_name} ({one.kind}) counts in silence, and costs differ" for one in silent]
    _withdraw(attacked, silent or every)
    for place in (attacked, clean):
        _refreshed(place, last, {})
        accounted(place)
    one, other = state_without_files(clean), state_without_files(attacked)
    seen.broken += [f"differs after withdrawal: {name}" for name in differences(dict(one), dict(other))]
    return seen


def _refreshed(place: Workspace, day: date, files: dict[str, bytes]) -> list[str]:
    """Drop files and refresh in the night after a day; returns the messages."""
    for name, content in files.items():
        (place.inbox / name).write_bytes(content)
    with clock_at(datetime.combine(day + timedelta(days=1), time(2, 30), UTC)):
        return refresh.refresh(place).messages


@dataclass(frozen=True)
class _Standing:
    in_doubt: set[str]
    known: set[str]


def standings(place: Workspace) -> _Standing:
    """Hashes of files of which something waits or is quarantined, and of all files."""
    with connect.reader(place.warehouse) as con:
        files = connect.frame_of(con, "select file_hash, file_status, quarantined_row_count from intake_file()")
        exports = tables.intake_tables(con)["vendor_export"]
    doubted = files.filter((pl.col("file_status") == "quarantined") | (pl.col("quarantined_row_count") > 0))
    waiting = exports.filter(pl.col("export_standing") == "waiting")
    return _Standing({*doubted["file_hash"], *waiting["file_hash"]}, set(files["file_hash"]))


def _is_caught(standing: _Standing, content: bytes) -> bool:
    return hashlib.sha256(content).hexdigest() in standing.in_doubt


def _sorted_out(seen: Seen, standing: _Standing, extra: Sequence[Wrong], messages: list[str]) -> list[Wrong]:
    """Count what became of each wrong export; returns those that counted in silence."""
    silent = []
    for one in extra:
        if one.file_hash not in standing.known:
            seen.broken.append(f"{one.file_name} ({one.kind}) is not known at all")
        elif one.file_hash in standing.in_doubt:
            seen.caught[one.kind] += 1
            if not any(message.startswith(f"{one.file_name}: ") for message in messages):
                seen.broken.append(f"{one.file_name} ({one.kind}) waits or is quarantined in silence")
        elif any(message.startswith(f"{one.file_name}: ") for message in messages):
            seen.said[one.kind] += 1
        else:
            silent.append(one)
    return silent


def _withdraw(place: Workspace, wrong: Sequence[Wrong]) -> None:
    for one in wrong:
        result = CliRunner().invoke(app, ["withdraw", one.file_hash, "--workspace", str(place.root)])
        assert result.exit_code == 0, result.output


def state_without_files(place: Workspace) -> dict[str, str]:
    """Published tables, records of nights and the warehouse's history, without clocks and what lists files."""
    found = {}
    for path in sorted((place.private.resolve() / "tables").glob("*.parquet")):
        if path.stem not in ABOUT_FILES:
            found[f"table {path.stem}"] = _text(pl.read_parquet(path))
    with connect.reader(place.warehouse) as con:
        for name, frame in tables.intake_tables(con).items():
            if name not in ABOUT_FILES:
                found[f"warehouse {name}"] = _text(frame)
    return found | _records(place)


def _records(place: Workspace) -> dict[str, str]:
    """What nights have recorded, by folder."""
    found = {}
    for name in (index_vintages.FOLDER, night_costs.FOLDER):
        files = sorted((place.root / name).glob("*.csv"))
        # The name of a file of vintages holds the hash of all inputs, the decisions about files too.
        found[name] = "".join(f"{path.stem[:10]}\n{path.read_text(encoding='utf-8')}" for path in files)
    return found


def _text(frame: pl.DataFrame) -> str:
    if "export_standing" in frame.columns:
        frame = frame.filter(pl.col("export_standing") != "withdrawn")
    return frame.drop([name for name in FILE_COLUMNS if name in frame.columns]).write_csv()


def mixed(market: Sequence[MarketNight], count: int, seed: int) -> list[list[Wrong]]:
    """So many wrong exports spread over the nights after the first three, the kinds in turn.

    Args:
        market: the nights.
        count: of wrong exports.
        seed: of what is drawn.
    """
    rng = random.Random(seed)
    found: list[list[Wrong]] = [[] for _ in market]
    for number in range(count):
        place, one = _drawn(rng, market, KINDS[number % len(KINDS)], number)
        found[place].append(one)
    return found


def _drawn(rng: random.Random, market: Sequence[MarketNight], kind: str, number: int) -> tuple[int, Wrong]:
    """A wrong export of a kind and its night; of nights and vendors, one with which the mistake can be made."""
    places = [(place, vendor) for place in range(3, len(market)) for vendor in VENDORS]
    for place, vendor in rng.sample(places, len(places)):
        night = market[place]
        other = rng.choice([each for each in VENDORS if each != vendor])
        arrives_on = night.day + timedelta(days=1)
        right = replace(
            wrong_exports.export_of(night.export(vendor), arrives_on),
            others_rows=wrong_exports.export_of(night.export(other), arrives_on).rows,
        )
        try:
            text = wrong_exports.wrong_export(kind, right, rng.randrange(1_000_000)).text
        except ValueError:
            continue
        # Each file differs, as each would have another hash: an empty list is the same for all else.
        content = text.encode() + b"\n" * (number + 1)
        return place, Wrong(kind, f"{rng.choice('az')}-wrong-{number}-{vendor}.csv", content)
    raise ValueError(f"the market has no export from which {kind} can be made")
