"""Random sets of received files, small enough to collide often, and what the warehouse made of them as plain values."""

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import polars as pl

from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, market, tables
from schemas.inputs.price_decisions import SOURCE_CORRECTIONS
from schemas.validate import polars_schema
from tests.builders.taken_files import NOW, Taken, failures_of, parents_of, quarantined_keys_of, taken
from tests.oracle.reference_fold import (
    Correction,
    File,
    Folded,
    Quarantined,
    Row,
    latest_confirmation,
    records_of,
    reference_fold,
)
from tests.present import present

FIRST = date(2026, 1, 1)
DAYS = [FIRST + timedelta(days=n) for n in range(7)]
VENDORS = ("acorn", "birch")
KEYS = (
    ("p1", "c1", "new", ""), ("p1", "c2", "new", ""), ("p1", "c1", "used", ""), ("p2", "c1", "new", "b"),
    ("p2", "c1", "new", ""), ("p3", "c1", "new", ""),
)  # fmt: skip
UNKNOWN = "f0"  # a file that is named as a parent but never arrives

USUAL = (Decimal("0.1"), "EUR", 100, 1, "", None, "stated")
CONTENTS = (
    (Decimal("0.1"), "EUR", 0, 1, "", None, "stated"),
    (Decimal("0.100001"), "EUR", 100, 1, "", None, "stated"),
    (Decimal("0.1"), "USD", 100, 1, "", None, "stated"),
    (Decimal("0.1"), "EUR", 100, 2, "", None, "stated"),
    (Decimal("0.1"), "EUR", 100, 1, "x|", None, "stated"),
    (Decimal("0.1"), "EUR", 100, 1, "", 1, "stated"),
    (Decimal("0.1"), "EUR", 100, 1, "", None, "open"),
)


@dataclass(frozen=True)
class Case:
    """Received files and the user's decisions about them."""

    files: tuple[File, ...]
    doubted: frozenset[str] = frozenset()
    accepted: frozenset[str] = frozenset()
    withdrawn: frozenset[str] = frozenset()
    corrections: tuple[Correction, ...] = ()


def random_case(rng: Random, most: int = 10) -> Case:
    """Files whose hashes fall in another order than their dates, with decisions about some of them."""
    hashes = rng.sample([f"{letter}1" for letter in "abcdefghijklmnop"], rng.randint(1, most))
    vendors = rng.choice((VENDORS[:1], VENDORS))
    corrected_share = rng.choice((0, 0.2, 0.4))
    files: list[File] = []
    unknown = File(UNKNOWN, (), (Quarantined(1), Quarantined(2)), 2)
    for file_hash in hashes:
        if rng.random() < corrected_share:
            files.append(file_of_corrected_rows(rng, file_hash, [*files, unknown]))
        else:
            files.append(file_of_one_export(rng, file_hash, rng.choice(vendors)))
    accepted_share, withdrawn_share = rng.choice(((0, 0), (0.4, 0), (0, 0.2), (0.4, 0.2)))
    doubted_share = rng.choice((0, 0.3))
    return Case(
        tuple(rng.sample(files, len(files))),
        frozenset(file_hash for file_hash in hashes if rng.random() < doubted_share),
        frozenset(file_hash for file_hash in hashes if rng.random() < accepted_share),
        frozenset(file_hash for file_hash in hashes if rng.random() < withdrawn_share),
        random_corrections(rng),
    )


def random_corrections(rng: Random) -> tuple[Correction, ...]:
    """Mostly none; else a few that overlap, most of them with a guard."""
    if rng.random() < 0.5:
        return ()
    found = {}
    for _ in range(rng.randint(1, 4)):
        start = rng.choice(DAYS[:4])
        scope = (rng.choice(VENDORS), rng.choice(("*", "p1", "p2")), rng.choice(("*", "c1")), start)
        end = rng.choice((None, None, start, DAYS[-1]))
        guard = rng.choice(
            (
                (None, None, None),
                (None, Decimal("0.1"), None),
                (Decimal("0.1"), Decimal("0.1"), "EUR"),
                (None, None, "USD"),
            )
        )
        action = rng.choice(("drop", "multiply_price", "set_currency"))
        factor = rng.choice((Decimal("0.5"), Decimal(10), Decimal("0.000001"))) if action == "multiply_price" else None
        currency = "SEK" if action == "set_currency" else None
        found[scope] = Correction(*scope, end, action, factor, currency, guard)
    return tuple(found.values())


def corrections_frame(corrections: tuple[Correction, ...]) -> pl.DataFrame:
    """As the table source_corrections has them."""
    rows = [
        (c.vendor, c.part, c.colour, c.from_on, c.to_on, c.action, c.factor, c.currency, *c.guard, FIRST, "known")
        for c in corrections
    ]
    return pl.DataFrame(rows, schema=polars_schema(SOURCE_CORRECTIONS), orient="row")


def random_content(rng: Random) -> tuple[Any, ...]:
    """Mostly one and the same, or no price period would ever last."""
    return USUAL if rng.random() < 0.85 else rng.choice(CONTENTS)


def file_of_one_export(rng: Random, file_hash: str, vendor: str) -> File:
    """The offers of one vendor and date, some quarantined; full exports mostly leave little out."""
    day = rng.choice(DAYS)
    is_full, revision = rng.random() < 0.7, rng.choice((0, 0, 1))
    kept_share = rng.choice((1, 0.8, 0.8, 0.3)) if is_full else 0.5
    trouble_share = rng.choice((0, 0.2, 0.4))
    rows, quarantined = [], []
    number = slipped = 0
    for key in KEYS:
        if rng.random() > kept_share:
            continue
        for step in rng.choice(((1,), (1,), (1,), (1, 10))):
            number += 1
            if rng.random() > trouble_share:
                rows.append(Row(number, vendor, day, key, step, random_content(rng), is_full, revision))
            elif rng.random() < 0.3:
                quarantined.append(Quarantined(number))
            else:
                quarantined.append(Quarantined(number, (vendor, day, key)))
                slipped += rng.random() < 0.2
    repeats = rng.choice((0, 90, 300))  # so that one row in many has no key
    unreadable = sum(h.offer is None for h in quarantined) + slipped
    return File(file_hash, tuple(rows), tuple(quarantined), number + repeats, unreadable)


def file_of_corrected_rows(rng: Random, file_hash: str, earlier: list[File]) -> File:
    """Corrected copies of rows of other files, of corrected ones too; now and then one that fails again, or an added row."""
    targets: dict[tuple[str, int], Row | Quarantined] = {
        (f.file_hash, r.record_number): r for f in earlier for r in records_of(f)
    }
    quarantined_ones = [record for record, row in targets.items() if isinstance(row, Quarantined)]
    pool = sorted(quarantined_ones if rng.random() < 0.7 else targets)
    chosen = rng.sample(pool, min(len(pool), rng.randint(1, 4)))
    rows, quarantined, used = [], [], set()
    for number, parent in enumerate(chosen, 1):
        vendor, day, key = home_of(rng, targets[parent], [f for f in earlier if f.file_hash == parent[0]])
        if rng.random() < 0.1:
            vendor = rng.choice(VENDORS)
        if rng.random() < 0.2:
            quarantined.append(Quarantined(number, (vendor, day, key) if rng.random() < 0.5 else None, parent))
            continue
        step = rng.choice((1, 1, 10))
        if (vendor, day, key, step) not in used:
            used.add((vendor, day, key, step))
            full, revision = rng.random() < 0.5, rng.choice((0, 1))
            rows.append(Row(number, vendor, day, key, step, random_content(rng), full, revision, parent))
    if rng.random() < 0.2 and (rows or quarantined):
        rows.append(Row(9, VENDORS[0], rng.choice(DAYS), KEYS[0], 100, USUAL))
    return File(
        file_hash,
        tuple(rows),
        tuple(quarantined),
        len(rows) + len(quarantined),
        sum(h.offer is None for h in quarantined),
    )


def home_of(rng: Random, target: Any, homes: list[File]) -> tuple[Any, ...]:
    """Vendor, date and key that a corrected copy most likely has: those of its record, or of its file."""
    if isinstance(target, Row):
        return target.vendor, target.day, target.key
    if target.offer:
        found: tuple[Any, ...] = target.offer
        return found
    if homes and homes[0].rows:
        return homes[0].rows[0].vendor, homes[0].rows[0].day, rng.choice(KEYS)
    return rng.choice(VENDORS), rng.choice(DAYS), rng.choice(KEYS)


def as_taken(file: File) -> Taken:
    """The file as intake hands it over."""
    names = ("unit_price", "currency_code", "quantity_available", "sold_in_multiples_of", "assortment_code",
             "maximum_per_order", "form_certainty")  # fmt: skip
    offers = [
        {
            **offer_of((row.vendor, row.day, row.key)),
            **dict(zip(names, row.content, strict=True)),
            "step_from_quantity": row.step,
            # a row that was added to corrected ones may claim to be full; it must not count as such
            "coverage": "full" if row.is_full or is_added(file, row) else "partial",
            "revision_number": row.revision,
            "record_number": row.record_number,
            "source_line_number": row.record_number + 1,
        }
        for row in file.rows
    ]
    return taken(
        file.file_hash,
        offers,
        failures=failures_of(*(quarantined.record_number for quarantined in file.quarantined)),
        quarantined_keys=quarantined_keys_of({h.record_number: offer_of(h.offer) for h in file.quarantined if h.offer}),
        parents=parents_of({r.record_number: r.parent for r in records_of(file) if r.parent}),
        unreadable_key_count=file.unreadable_key_count,
        read_row_count=file.read_row_count,
        duplicate_row_count=file.read_row_count - len(file.rows) - len(file.quarantined),
    )


def is_added(file: File, row: Row) -> bool:
    return row.parent is None and any(r.parent for r in records_of(file))


def offer_of(offer: tuple[str, date, tuple[str, ...]]) -> dict[str, Any]:
    vendor, day, (part, colour, condition, listing) = offer
    return {
        "vendor_code": vendor, "observed_on": day, "part_code": part, "colour_code": colour, "condition": condition,
        "listing_code": listing,
    }  # fmt: skip


def fold_in_batches(case: Case, batches: list[list[File]], decide_at: int = 0) -> dict[str, Any]:
    """Load and fold batch by batch, taking the decisions before the batch ``decide_at``; everything as plain values."""
    with connect.writer(Path(":memory:")) as con:
        loaded: list[File] = []
        for number, batch in enumerate(batches):
            if number == decide_at:
                history.set_decisions(con, accepted=case.accepted, withdrawn=case.withdrawn)
                history.set_corrections(con, corrections_frame(case.corrections))
            for file in batch:
                assert load.load_file(con, as_taken(file), NOW) == "loaded"
            loaded += batch
            doubt(con, loaded, case.doubted)
            history.fold(con)
        return everything(con)


def doubt(con: duckdb.DuckDBPyConnection, files: list[File], doubted: Any) -> None:
    """Record a finding for which they wait about the exports of some of the files."""
    known = {file.file_hash: file for file in files}
    con.execute(
        "insert into export_finding select distinct coalesce(root_hash, row.file_hash), vendor_code, observed_on, "
        "'offers_gone', 'waits', 60, 30, '', null, '' from observed_record as row "
        "left join corrected_root using (file_hash, record_number) "
        "where row.file_hash in (select unnest($1::varchar[])) and coalesce(root_hash, row.file_hash) in "
        "(select unnest($2::varchar[])) and (coalesce(root_hash, row.file_hash), vendor_code, observed_on) not in "
        "(select (file_hash, vendor_code, observed_on) from export_finding)",
        [list(known), sorted(doubted)],
    )


def everything(con: duckdb.DuckDBPyConnection) -> dict[Any, Any]:
    found: dict[Any, Any] = {name: frame.rows() for name, frame in tables.intake_tables(con).items()}
    found["fingerprint"] = history.fingerprint(con)
    for day in checked_days():
        found[day] = (market.market_on(con, day, 2).rows(), market.last_seen_prices(con, day).rows())
    return found


def checked_days() -> list[date]:
    return [FIRST - timedelta(days=1), *DAYS, DAYS[-1] + timedelta(days=2)]


def expected(case: Case) -> tuple[Folded, dict[str, Any]]:
    """The reference's answer, laid out like :func:`compared`."""
    doubted = set(case.doubted - case.accepted)
    folded = reference_fold(list(case.files), doubted, set(case.withdrawn), case.corrections)
    steps = [
        (price_period, step, content)
        for price_period in folded.price_periods
        for step, content in price_period.steps.items()
    ]
    known = {file.file_hash for file in case.files} - case.withdrawn
    return folded, {
        "price_history": {
            (s.vendor, *s.key, step, *content, s.valid_from_on, s.valid_to_on, s.confirmed_on[-1])
            for s, step, content in steps
        },
        "vendor_export": {
            (file_hash, vendor, day, coverage, revision, standing, count)
            for (file_hash, vendor, day), (coverage, revision, standing, count) in folded.standing.items()
        },
        "corrected_row": {
            (*record, *(content or (None, None))[:2]) for record, content in folded.source_corrected.items()
        },
        "offer_source": len(steps),
        "quarantined_row": {
            (f.file_hash, h.record_number, (f.file_hash, h.record_number) in folded.corrected)
            for f in case.files
            if f.file_hash in known
            for h in f.quarantined
        },
        "market": {
            day: {
                (s.vendor, *s.key, step, content[0], confirmed)
                for s, step, content in steps
                if s.valid_from_on <= day and (s.valid_to_on is None or s.valid_to_on > day) and content[2] > 0
                for confirmed in [present(latest_confirmation(s, day))]
                if (day - confirmed).days <= 2
            }
            for day in checked_days()
        },
        "last_seen": {
            day: {
                (s.vendor, *s.key, step, content[0], latest_confirmation(s, day),
                 s.valid_to_on if s.valid_to_on and s.valid_to_on <= day else None)
                for s, step, content in steps
                if s.valid_from_on <= day
                and s.valid_from_on
                == max(o.valid_from_on for o in folded.price_periods
                       if (o.vendor, o.key) == (s.vendor, s.key) and o.valid_from_on <= day)
            }
            for day in checked_days()
        },
    }  # fmt: skip


def compared(found: dict[Any, Any]) -> dict[str, Any]:
    """What the warehouse made, laid out like :func:`expected`; every set is checked to have no repeated rows."""
    price = {  # column positions in PRICE_HISTORY
        "key": slice(1, 7), "currency": 7, "price": 8, "quantity": 9, "multiple": 10, "assortment": 11, "maximum": 12,
        "certainty": 13, "from": 14, "to": 15, "confirmed": 16,
    }  # fmt: skip
    content = (
        "price",
        "currency",
        "quantity",
        "multiple",
        "assortment",
        "maximum",
        "certainty",
        "from",
        "to",
        "confirmed",
    )
    return {
        "price_history": unrepeated(
            (*row[price["key"]], *(row[price[name]] for name in content)) for row in found["price_history"]
        ),
        "vendor_export": unrepeated(found["vendor_export"]),
        "corrected_row": unrepeated((*row[:2], *row[12:14]) for row in found["corrected_row"]),
        "offer_source": len(unrepeated(row[:2] for row in found["offer_source"])),
        "quarantined_row": unrepeated((row[0], row[3], row[8]) for row in found["quarantined_row"]),
        "market": {
            day: unrepeated((*r[price["key"]], r[price["price"]], r[price["confirmed"]]) for r in found[day][0])
            for day in checked_days()
        },
        "last_seen": {
            day: unrepeated(
                (*r[price["key"]], r[price["price"]], r[price["confirmed"]], r[price["to"]]) for r in found[day][1]
            )
            for day in checked_days()
        },
    }


def unrepeated(rows: Any) -> set[Any]:
    rows = list(rows)
    assert len(set(rows)) == len(rows)
    return set(rows)
