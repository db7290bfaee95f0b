"""Wrong exports among good ones in small form: one of each kind, all withdrawn at the end. `make attack` runs 100 nights."""

from collections import Counter
from pathlib import Path

from tests.attacks import market_nights, wrong_nights
from tests.builders.length import examples


def test_wrong_exports_are_found_or_harmless_and_leave_no_trace_once_withdrawn(tmp_path: Path) -> None:
    market = market_nights.nights(6, seed=3)
    count = examples(1, 2) * len(wrong_nights.KINDS)
    seen = wrong_nights.live(tmp_path, market, wrong_nights.mixed(market, count, seed=3))
    assert seen.broken == []
    assert set(seen.caught + seen.said + seen.harmless) == set(wrong_nights.KINDS) and seen.count == count
    assert seen.caught.total() > count / 2
    assert seen.false_alarms["good exports in doubt"] == 0, "a good export in a world without wrong ones"


def test_the_market_is_the_same_for_the_same_seed_and_moves_a_little_from_night_to_night() -> None:
    market = market_nights.nights(4, seed=1)
    assert market == market_nights.nights(4, seed=1) != market_nights.nights(4, seed=2)
    for before, after in zip(market, market[1:], strict=False):
        for vendor in market_nights.VENDORS:
            kept = set(before.offers[vendor]) & set(after.offers[vendor])
            assert 0.5 * market_nights.OFFERED < len(kept) < market_nights.OFFERED


def test_wrong_exports_are_of_every_kind_and_each_is_a_file_of_its_own() -> None:
    market = market_nights.nights(6, seed=1)
    every = [wrong for night in wrong_nights.mixed(market, 40, seed=1) for wrong in night]
    kinds = Counter(wrong.kind for wrong in every)
    assert set(kinds) == set(wrong_nights.KINDS) and max(kinds.values()) - min(kinds.values()) <= 1
    assert len({wrong.file_hash for wrong in every}) == len({wrong.file_name for wrong in every}) == 40
    good = {night.export(vendor).encode().strip() for night in market for vendor in night.offers}
    assert not good & {wrong.content.strip() for wrong in every}
