"""The SQL fold gives what the reference fold gives, for any files, any order of arrival and any split over folds."""

from collections import Counter
from dataclasses import replace
from random import Random
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.published.intake import INTAKE_FILE
from tests.builders.histories import Case, compared, expected, fold_in_batches, random_case
from tests.builders.length import examples
from tests.oracle.reference_fold import reference_fold

QUICK = settings(max_examples=examples(8, 15), deadline=None, suppress_health_check=list(HealthCheck))
LONG = settings(max_examples=examples(4, 150), deadline=None, suppress_health_check=list(HealthCheck))


def check_against_reference(case: Case) -> None:
    found = fold_in_batches(case, [list(case.files)])
    folded, needed = expected(case)
    got = compared(found)
    for name in needed:
        assert got[name] == needed[name], name
    check_offer_ids(found["price_history"])
    check_accounting(case, folded, found["intake_file"])


def check_offer_ids(rows: list[tuple[Any, ...]]) -> None:
    """One name per price period of an offer, shared by its price steps."""
    price_periods = {(*row[1:6], row[14]) for row in rows}
    named = {(row[0], *row[1:6], row[14]) for row in rows}
    assert len(named) == len(price_periods) == len({row[0] for row in rows})
    assert all(len(row[0]) == 16 for row in rows)


def check_accounting(case: Case, folded: Any, rows: list[tuple[Any, ...]]) -> None:
    found = {row[0]: dict(zip(INTAKE_FILE.columns, row, strict=True)) for row in rows}
    assert set(found) == {file.file_hash for file in case.files}
    for file in case.files:
        row = found[file.file_hash]
        counts = {name: row[f"{name}_row_count"] for name in
                  ("accepted", "quarantined", "superseded", "duplicate", "withdrawn", "dropped")}  # fmt: skip
        assert sum(counts.values()) == file.read_row_count
        if file.file_hash in case.withdrawn:
            assert counts["withdrawn"] == file.read_row_count
            assert row["file_status"] == "withdrawn"
            continue
        fates = Counter(folded.fate[file.file_hash, r.record_number] for r in file.rows)
        assert counts["accepted"] == fates["accepted"]
        assert counts["quarantined"] == len(file.quarantined) + fates["waiting"]
        assert counts["superseded"] == fates["superseded"]
        assert counts["dropped"] == fates["dropped"]
        assert counts["withdrawn"] == fates["withdrawn"]
        assert row["file_status"] == ("waiting" if fates["waiting"] else "loaded")


def check_any_order(case: Case, rng: Random) -> None:
    """Load in another order, fold in between and twice at the end, and take the decisions at any time."""
    whole = fold_in_batches(case, [list(case.files)])
    shuffled = rng.sample(case.files, len(case.files))
    cuts = sorted(rng.randint(0, len(shuffled)) for _ in range(rng.randint(0, 5)))
    batches = [shuffled[low:high] for low, high in zip([0, *cuts], [*cuts, len(shuffled)], strict=True)]
    pieces = fold_in_batches(case, [*batches, []], decide_at=rng.randint(0, len(batches)))
    for name in whole:
        assert pieces[name] == whole[name], name


@given(st.randoms())
@QUICK
def test_the_fold_is_the_reference_fold(rng: Any) -> None:
    check_against_reference(random_case(rng))


@given(st.randoms())
@QUICK
def test_order_of_arrival_and_number_of_folds_do_not_matter(rng: Any) -> None:
    check_any_order(random_case(rng), rng)


def test_the_random_cases_reach_every_rule() -> None:
    """Counts what the random sets contain, because cases in which no export ever waits would test nothing of waiting."""
    seen: Counter[Any] = Counter()
    rng = Random(20261125)
    for _ in range(300):
        case = random_case(rng)
        folded, _ = expected(case)
        seen.update({standing for _, _, standing, _ in folded.standing.values()})
        seen.update({f"row {fate}" for fate in folded.fate.values()})
        seen["closed"] += any(price_period.valid_to_on for price_period in folded.price_periods)
        seen["reopened"] += len({(s.vendor, s.key) for s in folded.price_periods}) < len(folded.price_periods)
        seen["lasting"] += any(len(s.confirmed_on) > 2 for s in folded.price_periods)
        seen["corrected"] += bool(folded.corrected)
        decisions = (set(case.doubted - case.accepted), set(case.withdrawn))
        seen["acceptance matters"] += (
            folded.price_periods
            != reference_fold(case.files, set(case.doubted), decisions[1], case.corrections).price_periods
        )
        seen["withdrawal matters"] += (
            folded.price_periods != reference_fold(case.files, decisions[0], set(), case.corrections).price_periods
        )
        seen["corrections matter"] += reference_fold(case.files, *decisions).price_periods != folded.price_periods
        seen["source_corrected"] += any(folded.source_corrected.values())
        trusting = [replace(f, read_row_count=10**6) for f in case.files]
        price_periods = reference_fold(trusting, *decisions, case.corrections).price_periods
        seen["unreadable keys matter"] += price_periods != folded.price_periods
        keyless = [replace(f, quarantined=tuple(replace(h, offer=None) for h in f.quarantined)) for f in trusting]
        seen["quarantined keys matter"] += reference_fold(keyless, *decisions).price_periods != price_periods
        orphans = [replace(f, rows=tuple(replace(r, parent=None) for r in f.rows)) for f in case.files]
        seen["parents matter"] += reference_fold(orphans, *decisions).price_periods != folded.price_periods
    for name in ("winner", "overlay", "superseded", "waiting", "row accepted", "row superseded", "row waiting",
                 "row withdrawn", "row dropped", "source_corrected", "corrections matter", "closed", "reopened", "lasting", "corrected", "acceptance matters", "withdrawal matters",
                 "unreadable keys matter", "quarantined keys matter", "parents matter"):  # fmt: skip
        assert seen[name] >= 8, (name, seen)
