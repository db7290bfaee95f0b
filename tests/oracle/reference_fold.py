"""The price history in plain Python: one vendor, one date after the other, over dictionaries. Slow and meant to be read.

The SQL of ``sql/history/`` must give exactly this, whatever the order of arrival and however many folds it takes.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from tests.present import present

Key = tuple[str, str, str, str]  # part, colour, condition, listing
Record = tuple[str, int]  # file hash, record number


@dataclass(frozen=True)
class Row:
    """An accepted row. ``content`` is all that opens a new price period when it changes."""

    record_number: int
    vendor: str
    day: date
    key: Key
    step: int
    content: tuple[Any, ...]
    is_full: bool = False
    revision: int = 0
    parent: Record | None = None


@dataclass(frozen=True)
class Quarantined:
    """A quarantined row; ``offer`` is (vendor, day, key) where it can be read."""

    record_number: int
    offer: tuple[str, date, Key] | None = None
    parent: Record | None = None


@dataclass(frozen=True)
class File:
    """A received price export."""

    file_hash: str
    rows: tuple[Row, ...]
    quarantined: tuple[Quarantined, ...] = ()
    read_row_count: int = 0
    unreadable_key_count: int = 0


@dataclass(frozen=True)
class Correction:
    """A declared error of a source: part and colour may be "*"; prices and currency of the guard may be None."""

    vendor: str
    part: str
    colour: str
    from_on: date
    to_on: date | None
    action: str
    factor: Decimal | None = None
    currency: str | None = None
    guard: tuple[Any, ...] = (None, None, None)  # lowest price, highest price, currency

    def is_about(self, row: Row) -> bool:
        return (
            row.vendor == self.vendor
            and self.part in ("*", row.key[0])
            and self.colour in ("*", row.key[1])
            and self.from_on <= row.day
            and (self.to_on is None or row.day <= self.to_on)
        )

    def is_shown_by(self, row: Row) -> bool:
        low, high, currency = self.guard
        price = row.content[0]
        return (low is None or price >= low) and (high is None or price <= high) and currency in (None, row.content[1])


@dataclass
class Export:
    """The rows of one file for one vendor and date, corrected rows included."""

    file_hash: str
    is_full: bool
    revision: int
    may_close: bool
    listings: dict[Key, dict[int, tuple[Any, ...]]]
    quarantined: set[Key] = field(default_factory=set)

    @property
    def rank(self) -> tuple[int, str]:
        return (self.revision, self.file_hash)

    @property
    def row_count(self) -> int:
        return sum(len(steps) for steps in self.listings.values())


@dataclass
class PricePeriod:
    vendor: str
    key: Key
    steps: dict[int, tuple[Any, ...]]
    valid_from_on: date
    confirmed_on: list[date]
    valid_to_on: date | None = None


@dataclass
class Folded:
    price_periods: list[PricePeriod] = field(default_factory=list)
    standing: dict[tuple[str, str, date], tuple[Any, ...]] = field(
        default_factory=dict
    )  # -> coverage, revision, standing, rows
    fate: dict[Record, Any] = field(default_factory=dict)
    corrected: set[Record] = field(default_factory=set)
    source_corrected: dict[Record, tuple[Any, ...] | None] = field(default_factory=dict)  # -> content, None if dropped


def records_of(file: File) -> list[Row | Quarantined]:
    return [*file.rows, *file.quarantined]


def reference_fold(
    files: Any, doubted: set[str], withdrawn: set[str], corrections: Sequence[Correction] = ()
) -> Folded:
    """``doubted``: files whose exports wait, because something was found about them and nobody accepted them."""
    folded = Folded()
    by_vendor_day = gather_exports(files, withdrawn, folded, corrections)
    for vendor in sorted(by_vendor_day):
        open_price_periods: dict[Key, PricePeriod] = {}
        for day in sorted(by_vendor_day[vendor]):
            fold_day(folded, open_price_periods, vendor, day, by_vendor_day[vendor][day], doubted)
    for record, fate in list(folded.fate.items()):
        if isinstance(fate, tuple):
            folded.fate[record] = {"winner": "accepted", "overlay": "accepted"}.get(
                folded.standing[fate][2], folded.standing[fate][2]
            )
    return folded


def fold_day(
    folded: Folded,
    open_price_periods: Any,
    vendor: str,
    day: date,
    exports: list[Export],
    doubted: set[str],
) -> None:
    waiting = [export for export in exports if export.listings and export.file_hash in doubted]
    for export in waiting:
        note_standing(folded, vendor, day, export, "waiting")
    exports = [export for export in exports if export not in waiting]
    partials = sorted((e for e in exports if not e.is_full), key=lambda e: e.rank)
    winner = None
    for full in sorted((e for e in exports if e.is_full), key=lambda e: e.rank, reverse=True):
        if winner is not None:
            standing = "superseded"
        else:
            standing, winner = "winner", full
        note_standing(folded, vendor, day, full, standing)
    for partial in partials:
        note_standing(folded, vendor, day, partial, "overlay")

    listed = {}
    for export in ([winner] if winner else []) + partials:
        listed.update(export.listings)  # a later one replaces a listing with all its steps
    if winner is not None:
        for key in closed_by(open_price_periods, winner, partials):
            open_price_periods.pop(key).valid_to_on = day
    for key, steps in listed.items():
        price_period = open_price_periods.get(key)
        if price_period is not None and price_period.steps == steps:
            price_period.confirmed_on.append(day)
            continue
        if price_period is not None:
            price_period.valid_to_on = day
        open_price_periods[key] = PricePeriod(vendor, key, steps, day, [day])
        folded.price_periods.append(open_price_periods[key])


def closed_by(
    open_price_periods: dict[tuple[str, ...], PricePeriod], full: Export, partials: list[Any]
) -> set[tuple[str, ...]]:
    if not full.may_close:
        return set()
    kept = set()
    for export in [full, *partials]:
        kept |= set(export.listings) | export.quarantined
    return set(open_price_periods) - kept


def note_standing(folded: Folded, vendor: str, day: date, export: Export, standing: str) -> None:
    if export.listings:
        coverage = "full" if export.is_full else "partial"
        folded.standing[export.file_hash, vendor, day] = (coverage, export.revision, standing, export.row_count)


def gather_exports(
    files: list[File], withdrawn: set[str], folded: Folded, corrections: Any
) -> dict[str, dict[date, list[Export]]]:
    """Exports by vendor and date. Corrected rows go back to the export they came from."""
    known = {file.file_hash: file for file in files}
    parents = {(f.file_hash, r.record_number): r.parent for f in files for r in records_of(f) if r.parent}

    def ancestors(record: tuple[str, int]) -> list[tuple[str, int]]:
        chain = [record]
        while chain[-1] in parents:
            chain.append(parents[chain[-1]])
        return chain

    counted = []  # file, row, chain
    for file in files:
        if file.file_hash in withdrawn:
            continue
        for row in file.rows:
            chain = ancestors((file.file_hash, row.record_number))
            folded.corrected.update(chain[1:])
            if chain[-1][0] in withdrawn:
                folded.fate[chain[0]] = "withdrawn"
            else:
                counted.append((file, row, chain))

    # A row that failed again is corrected when another copy of the same record was accepted, but not the copy it was to correct.
    copies = [
        ancestors((file.file_hash, row.record_number))
        for file in files
        if file.file_hash not in withdrawn
        for row in file.rows
    ]
    for file in files:
        for quarantined in file.quarantined:
            chain = ancestors((file.file_hash, quarantined.record_number))
            if any(set(chain[1:]) & set(copy[1:]) and copy[0] not in chain for copy in copies):
                folded.corrected.add(chain[0])

    # Of the copies of one record, and of the rows of one offer and step, the one corrected last counts.
    best_of_record: dict[Any, tuple[Any, ...]] = {}
    best_of_offer: dict[Any, tuple[Any, ...]] = {}
    for _file, _row, chain in counted:
        best_of_record[chain[-1]] = max(best_of_record.get(chain[-1], (0,)), (len(chain), *chain[0]))
    survivors = [c for c in counted if best_of_record[c[2][-1]] == (len(c[2]), *c[2][0])]
    for _file, row, chain in survivors:
        offer = (chain[-1][0], row.vendor, row.day, row.key, row.step)
        best_of_offer[offer] = max(best_of_offer.get(offer, (0,)), (len(chain), *chain[0]))
    survivors = [
        (file, row, chain)
        for file, row, chain in survivors
        if best_of_offer[chain[-1][0], row.vendor, row.day, row.key, row.step] == (len(chain), *chain[0])
    ]
    for _file, _row, chain in counted:
        folded.fate[chain[0]] = "superseded"
    survivors = source_corrected(survivors, corrections, folded)

    exports: dict[tuple[str, str, date], Export] = {}
    for _file, row, chain in survivors:
        identity = (chain[-1][0], row.vendor, row.day)
        folded.fate[chain[0]] = identity
        if identity not in exports:
            said_by = [
                (len(c) == 1, r.is_full, r.revision) for _f, r, c in counted if (c[-1][0], r.vendor, r.day) == identity
            ]
            own = [said for said in said_by if said[0]]
            is_full = all(full for _, full, _ in (own or said_by)) and bool(own or identity[0] in known)
            revision = max(revision for _, _, revision in (own or said_by))
            exports[identity] = Export(identity[0], is_full, revision, may_close(known.get(identity[0]), folded), {})
        exports[identity].listings.setdefault(row.key, {})[row.step] = row.content

    # Quarantined rows keep their offers open, also where nothing else of their export could be read.
    for file in files:
        for quarantined in file.quarantined:
            record = (file.file_hash, quarantined.record_number)
            root = ancestors(record)[-1][0]
            if quarantined.offer and record not in folded.corrected and not {file.file_hash, root} & withdrawn:
                vendor, day, key = quarantined.offer
                identity = (root, vendor, day)
                exports.setdefault(identity, Export(root, False, 0, False, {})).quarantined.add(key)

    by_vendor_day: defaultdict[Any, Any] = defaultdict(lambda: defaultdict(list))
    for (_file_hash, vendor, day), export in exports.items():
        by_vendor_day[vendor][day].append(export)
    return by_vendor_day


def source_corrected(
    survivors: list[tuple[File, Row, Any]], corrections: tuple[Correction, ...], folded: Folded
) -> list[tuple[File, Row, Any]]:
    """The rows with their known errors put right, without those that a correction drops."""
    source_corrected_on: dict[Any, Any] = {}  # from when on a correction no longer holds for an offer
    for _file, row, _chain in survivors:
        for correction in corrections:
            if correction.is_about(row) and not correction.is_shown_by(row):
                offer = (correction, row.vendor, row.key)
                source_corrected_on[offer] = min(source_corrected_on.get(offer, row.day), row.day)

    kept = []
    for file, row, chain in survivors:
        fitting = [
            c
            for c in corrections
            if c.is_about(row)
            and c.is_shown_by(row)
            and row.day < source_corrected_on.get((c, row.vendor, row.key), date.max)
        ]
        if fitting:
            best = max(fitting, key=lambda c: (c.part != "*", c.colour != "*", c.from_on))
            content = content_after(best, row.content)
            folded.source_corrected[chain[0]] = content
            if content is None:
                folded.fate[chain[0]] = "dropped"
                continue
            row = replace(row, content=content)
        kept.append((file, row, chain))
    return kept


def content_after(correction: Correction, content: tuple[Any, ...]) -> tuple[Any, ...] | None:
    """None where the row is dropped, or where what would come out is no price."""
    price, currency, *rest = content
    if correction.action == "set_currency":
        currency = present(correction.currency)
    if correction.action == "multiply_price":
        price = (price * present(correction.factor)).quantize(Decimal("0.000001"), ROUND_HALF_UP)
    is_price = Decimal("0.000001") <= price <= 100_000
    return None if correction.action == "drop" or not is_price else (price, currency, *rest)


def may_close(file: Any, folded: Folded) -> bool:
    """Not where over 1 % of the file's rows name no offer to be trusted and are not corrected yet."""
    if file is None:
        return True
    unnamed = [quarantined for quarantined in file.quarantined if quarantined.offer is None]
    uncorrected = [
        quarantined
        for quarantined in file.quarantined
        if (file.file_hash, quarantined.record_number) not in folded.corrected
    ]
    slipped = max(file.unreadable_key_count - len(unnamed), 0)
    still_unnamed = sum(quarantined.offer is None for quarantined in uncorrected)
    untrusted = still_unnamed + min(slipped, len(uncorrected) - still_unnamed)
    return untrusted / file.read_row_count <= 0.01 if file.read_row_count else True


def latest_confirmation(price_period: PricePeriod, day: date) -> date | None:
    return max((confirmed for confirmed in price_period.confirmed_on if confirmed <= day), default=None)
