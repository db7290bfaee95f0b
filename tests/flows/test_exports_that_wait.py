"""Wrong exports against a small market: each waits, is quarantined or is reported, and right ones are believed."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import polars as pl
import pytest

from pipelines.flows import rebuild
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, plausibility
from pipelines.workspace import Workspace
from tests.builders import wrong_exports
from tests.builders.workspaces import EXPORT_HEADER, make_workspace

FIRST = date(2026, 10, 1)
VENDORS = tuple(f"{name}{number}" for name in ("moor", "dale") for number in (1, 2, 3))
ELEMENTS = tuple((f"0{part:03d}", colour) for part in range(20) for colour in ("red", "blue"))


@dataclass(frozen=True)
class Offer:
    """A line of an export."""

    part: str
    colour: str
    price: float
    quantity: int
    currency: str = "EUR"


@dataclass(frozen=True)
class Export:
    """A file of one vendor's offers."""

    vendor: str
    day: date
    offers: tuple[Offer, ...]
    coverage: str = "full"

    @property
    def text(self) -> str:
        return EXPORT_HEADER + "".join(
            f"{self.vendor},{o.part},{o.colour},new,{o.price:.4f},{o.currency},{o.quantity},{self.day},{self.coverage}\n"
            for o in self.offers
        )


def right_exports(nights: int = 4) -> list[dict[str, Export]]:
    """By night and vendor: prices wander by a few per cent, stock changes, and an offer comes and goes."""
    rng = Random(5)
    level = {element: 0.05 * 1.2 ** rng.randint(0, 20) for element in ELEMENTS}
    prices = {vendor: {e: level[e] * rng.uniform(0.8, 1.3) for e in rng.sample(ELEMENTS, 30)} for vendor in VENDORS}
    found = []
    for night in range(nights):
        exports = {}
        for vendor, own in prices.items():
            for element in rng.sample(sorted(own), 5):
                own[element] *= rng.uniform(0.93, 1.07)
            listed = [e for e in sorted(own) if rng.random() > 0.03]
            offers = tuple(Offer(*e, own[e], rng.randint(1, 90)) for e in listed)
            exports[vendor] = Export(vendor, FIRST + timedelta(days=night), offers)
        found.append(exports)
    return found


NIGHTS = right_exports()


class Night:
    """A workspace, whose files are taken in and folded night by night without a plan being made."""

    def __init__(self, root: Path) -> None:
        self.place = make_workspace(root)
        for path in self.place.inbox.iterdir():
            path.unlink()
        settings = root / "kitfare.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace("inbox_quiet_seconds = 5", "inbox_quiet_seconds = 0"), encoding="utf-8")
        header = "vendor_code,vendor_name,vendor_kind,vendor_region_code,currency_code\n"
        rows = "".join(f"{vendor},{vendor},independent,home,EUR\n" for vendor in VENDORS)
        (root / "tables" / "vendors.csv").write_text(header + rows, encoding="utf-8")
        (root / "tables" / "vendor_terms.csv").write_text("vendor_code,shipping_charge\n", encoding="utf-8")

    def run(self, day: date, **files: Export | str) -> list[str]:
        """Drop files and take them in on a day; returns all messages."""
        for name, file in files.items():
            text = file if isinstance(file, str) else file.text
            (self.place.inbox / f"{name}.csv").write_text(text, encoding="utf-8")
        intake_steps.clean_up(self.place)
        night = intake_steps.read_inputs(self.place, datetime(day.year, day.month, day.day, 3))
        night = intake_steps.take_in_files(night)
        night = plausibility_steps.check_exports(night)
        night = history_steps.fold_history(night)
        with connect.reader(self.place.warehouse) as con:
            kept = [text for (text,) in con.execute("select message_text from pending_message").fetchall()]
        return [*night.intake.messages, *kept, *night.history.messages]

    def findings(self) -> pl.DataFrame:
        with connect.reader(self.place.warehouse) as con:
            return plausibility.findings(con)

    def fingerprint(self) -> str:
        with connect.reader(self.place.warehouse) as con:
            return history.fingerprint(con)


def usual_nights(night: Night, count: int) -> list[str]:
    said: list[str] = []
    for exports in NIGHTS[:count]:
        day = next(iter(exports.values())).day
        said += night.run(day, **{f"{vendor}_{day}": export for vendor, export in exports.items()})
    return said


def changed(export: Export, change: Callable[[Offer], Offer]) -> Export:
    return replace(export, offers=tuple(map(change, export.offers)))


LAST = {vendor: NIGHTS[2][vendor] for vendor in VENDORS}
NEXT = NIGHTS[3]["moor1"]
OTHER = LAST["dale2"]


def with_a_part_mistyped() -> Export:
    """Every offer of a part has its code with two digits exchanged and a letter more."""
    part = next(offer.part for offer in NEXT.offers if offer.part[-2] != offer.part[-1])
    typed = f"{part[:-2]}{part[-1]}{part[-2]}x"
    return changed(NEXT, lambda offer: replace(offer, part=typed) if offer.part == part else offer)


def times(factor: float) -> Export:
    return changed(NEXT, lambda offer: replace(offer, price=offer.price * factor))


def slipped() -> Export:
    """Prices against codes of the row before."""
    prices = [offer.price for offer in NEXT.offers]
    offers = zip(NEXT.offers, [*prices[7:], *prices[:7]], strict=True)
    return replace(NEXT, offers=tuple(replace(offer, price=price) for offer, price in offers))


WRONG: dict[str, tuple[Export | str, str]] = {
    "year ahead": (replace(NEXT, day=date(2027, 6, 30)), "quarantined whole"),
    "end of time": (replace(NEXT, day=date(2199, 12, 31)), "quarantined whole"),
    "a decade back": (replace(NEXT, day=date(2016, 10, 4)), "dated_behind"),
    "one row of a decade back": (replace(NEXT, day=date(2016, 10, 4), offers=NEXT.offers[:1], coverage="partial"), "dated_behind"),
    "prices x 100": (times(100), "price_level"),
    "prices / 100": (times(0.01), "price_level"),
    "decimal shift": (times(10), "price_level"),
    "all dearer": (times(1.6), "price_level"),
    "decimal shift of some": (
        replace(NEXT, offers=tuple(replace(o, price=o.price * 10) if n % 5 == 0 else o for n, o in enumerate(NEXT.offers))),
        "prices_far_moved",
    ),
    "prices slipped": (slipped(), "prices_far_moved"),
    "another currency": (changed(NEXT, lambda offer: replace(offer, currency="USD")), "currency_changed"),
    "48 % gone": (replace(NEXT, offers=NEXT.offers[: round(len(NEXT.offers) * 0.52)]), "offers_gone"),
    "header only": (EXPORT_HEADER, "no rows"),
    "another vendor's list": (replace(OTHER, vendor="moor1", day=NEXT.day), "list_of_other_vendor"),
    "vendor mistyped": (replace(NEXT, vendor="moorl"), "vendor_mistyped"),
    "vendor unknown": (replace(NEXT, vendor="brook"), "vendor_unknown"),
    "a colour mistyped": (
        replace(NEXT, offers=(replace(NEXT.offers[0], colour="rde"), *NEXT.offers[1:])),
        "colours_never_seen",
    ),
    "a part mistyped": (with_a_part_mistyped(), "parts_mistyped"),
    "all parts renamed": (changed(NEXT, lambda offer: replace(offer, part="x" + offer.part)), "parts_never_seen"),
}  # fmt: skip


@pytest.fixture(scope="module")
def after_three_nights(tmp_path_factory: pytest.TempPathFactory) -> tuple[Night, list[str]]:
    night = Night(tmp_path_factory.mktemp("nights") / "space")
    return night, usual_nights(night, 3)


def test_usual_nights_are_believed(after_three_nights: tuple[Night, list[str]]) -> None:
    night, said = after_three_nights
    assert night.findings().is_empty() and said == []


def copied(night: Night, target: Path) -> Night:

    shutil.copytree(night.place.root, target, symlinks=True)
    other = Night.__new__(Night)
    other.place = Workspace(target)
    return other


@pytest.mark.parametrize("kind", sorted(WRONG))
def test_a_wrong_export_is_found_and_withdrawn_without_a_trace(
    after_three_nights: tuple[Night, list[str]], tmp_path: Path, kind: str
) -> None:
    night = copied(after_three_nights[0], tmp_path / "space")
    before = night.fingerprint()
    wrong, expected = WRONG[kind]
    said = night.run(date(2026, 10, 4), wrong=wrong)
    findings = night.findings()
    if expected in ("quarantined whole", "no rows"):
        assert any(expected in text for text in said), said
    else:
        assert expected in findings["finding_rule"].to_list(), (findings, said)
        assert any("wrong.csv" in text for text in said)
    with connect.reader(night.place.warehouse) as con:
        [(wrong_hash,)] = con.execute("select file_hash from received_file where file_name = 'wrong.csv'").fetchall()
    rebuilt = rebuild.rebuild(night.place, replace=False)
    assert rebuilt.differences == []

    (night.place.tables / "withdrawn_files.csv").write_text(
        f"file_hash,decided_on,reason\n{wrong_hash},2026-10-05,wrong\n", encoding="utf-8"
    )
    night.run(date(2026, 10, 5))
    assert night.findings().is_empty()
    with connect.reader(night.place.warehouse) as con:
        assert con.execute("select count(*) from vendor_export where file_hash = ?", [wrong_hash]).fetchall() == [(0,)]
        con_files = con.execute("select count(*) from price_history where file_hash = ?", [wrong_hash]).fetchall()
    assert con_files == [(0,)]
    # Only the table of files differs: it has the withdrawn one.
    unseen = copied(after_three_nights[0], tmp_path / "unseen")
    assert price_tables(night) == price_tables(unseen) and before == unseen.fingerprint()


def price_tables(night: Night) -> list[Any]:
    with connect.reader(night.place.warehouse) as con:
        return [
            con.execute(f"select * from {table} order by all").fetchall()
            for table in ("price_history", "offer_confirmation", "vendor_export", "export_finding")
        ]


def test_a_late_partial_row_with_a_wrong_year_changes_no_other_export(
    after_three_nights: tuple[Night, list[str]], tmp_path: Path
) -> None:
    """It once made four good exports wait, and advised to accept them."""
    night = copied(after_three_nights[0], tmp_path / "space")
    before = price_tables(night)[:3]
    night.run(date(2026, 10, 4), wrong=WRONG["one row of a decade back"][0])
    after = price_tables(night)[:3]
    assert after[:2] == before[:2]
    assert [row for row in after[2] if row[5] != "waiting"] == before[2]


def test_what_is_accepted_counts_and_the_exports_after_it_are_compared_with_it(
    after_three_nights: tuple[Night, list[str]], tmp_path: Path
) -> None:
    night = copied(after_three_nights[0], tmp_path / "space")
    small = replace(NEXT, offers=NEXT.offers[:10])
    said = night.run(date(2026, 10, 4), small=small)
    assert any("small.csv: the export of moor1 on 2026-10-04 waits: 6" in text for text in said)
    again = night.run(date(2026, 10, 5), next=replace(small, day=date(2026, 10, 5)))
    assert any("next.csv" in text for text in again) and any("small.csv" in text for text in again)
    with connect.reader(night.place.warehouse) as con:
        [export] = [each for each in history.waiting_exports(con) if each.file_name == "small.csv"]
    (night.place.tables / "accepted_exports.csv").write_text(
        f"file_hash,decided_on,reason\n{export.file_hash},2026-10-06,a smaller shop\n", encoding="utf-8"
    )
    assert night.run(date(2026, 10, 6)) == []
    with connect.reader(night.place.warehouse) as con:
        assert history.waiting_exports(con) == []
        found = con.execute("select count(*) from price_history where vendor_code = 'moor1' and valid_to_on is null")
        assert found.fetchall() == [(10,)]
    assert rebuild.rebuild(night.place, replace=False).differences == []


def test_a_full_export_without_what_partial_ones_listed_waits(tmp_path: Path) -> None:
    """What a vendor offers is its last full export and the partial ones since; two of them price one element anew."""
    night = Night(tmp_path / "space")
    first, rest = NEXT.offers[:5], NEXT.offers[5:]
    night.run(date(2026, 10, 1), full=replace(NEXT, day=date(2026, 10, 1), offers=first))
    for number, offers in ((2, rest[:12]), (3, rest[11:])):
        night.run(
            date(2026, 10, number), **{f"part{number}": Export("moor1", date(2026, 10, number), offers, "partial")}
        )
    assert night.findings().is_empty()
    night.run(date(2026, 10, 4), wrong=replace(NEXT, offers=first))
    gone = 100 * len(rest) / len(NEXT.offers)
    assert night.findings().select("finding_rule", "measured_value").rows() == [("offers_gone", pytest.approx(gone))]


def test_a_late_file_with_the_newest_prices_waits_and_one_with_its_own_is_reported(tmp_path: Path) -> None:
    night = Night(tmp_path / "space")
    usual_nights(night, 1)
    rng = Random(3)
    moved = changed(NIGHTS[0]["moor1"], lambda offer: replace(offer, price=offer.price * rng.uniform(0.9, 1.1)))
    newest = replace(moved, day=date(2026, 12, 10))
    night.run(newest.day, newest=newest)
    assert night.findings().is_empty()
    night.run(date(2026, 12, 11), wrong=replace(moved, day=date(2026, 10, 20)))
    assert sorted(night.findings()["finding_rule"]) == ["dated_late", "like_newest_export"]
    night.run(date(2026, 12, 12), right=replace(NIGHTS[1]["moor1"], day=date(2026, 10, 21)))
    late = night.findings().filter(pl.col("observed_on") == date(2026, 10, 21))
    assert late["finding_rule"].to_list() == ["dated_late"]


def test_the_order_within_one_night_does_not_matter(tmp_path: Path) -> None:
    """All files at once, under names in another order, give what night by night gives."""
    one, other = Night(tmp_path / "one"), Night(tmp_path / "other")
    files = {f"{vendor}_{n}": exports[vendor] for n, exports in enumerate(NIGHTS) for vendor in VENDORS}
    files["wrong"] = times(100)
    one.run(date(2026, 10, 5), **files)
    other.run(
        date(2026, 10, 5), **{f"{9 - int(name[-1]) if name[-1].isdigit() else 0}{name}": f for name, f in files.items()}
    )
    columns = ("vendor_code", "observed_on", "finding_rule")
    assert one.findings().select(columns).equals(other.findings().select(columns))
    assert price_tables(one)[1] == price_tables(other)[1]


def test_price_steps_that_rise_wait_if_most_do_and_are_said_once_if_some_do(tmp_path: Path) -> None:
    """They are compared with the vendor's last export that counts; one that waits is none."""
    night = Night(tmp_path / "space")
    days = [FIRST + timedelta(days=number) for number in range(4)]
    right = [wrong_exports.right_export("moor1", day, seed=2) for day in days]
    wrong = [wrong_exports.wrong_export("steps_reversed", each, seed=2) for each in right]
    night.run(days[0], first=right[0].text)
    night.run(days[1], most=wrong[1].text)
    some = []
    for number in (2, 3):
        stepped = [n for n, row in enumerate(right[number].rows) if row["step_from_quantity"] != "1"]
        rows = (*wrong[number].rows[: stepped[2] + 1], *right[number].rows[stepped[2] + 1 :])
        some.append(pytest.approx(100 * 3 / len(stepped)))
        said = night.run(days[number], **{f"some{number}": replace(right[number], rows=rows).text})
        assert any(
            text.startswith(f"some{number}.csv: accepted, but look at moor1: more pieces cost more each in ")
            for text in said
        ) == (number == 2)
    found = night.findings().filter(pl.col("finding_rule") == "steps_rising")
    figures = found.select("observed_on", "export_verdict", "measured_value", "compared_observed_on").rows()
    assert sorted(figures) == [(days[1], "waits", 100, days[0]), (days[2], "reported", some[0], days[0])]
    assert rebuild.rebuild(night.place, replace=False).differences == []
