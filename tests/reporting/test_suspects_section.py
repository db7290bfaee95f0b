"""Prices that stand out: named on the private index, counted in the public report."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.pages import write_pages
from pipelines.reporting.sections.suspects import in_words, suspect_section, suspect_words
from schemas.published.price_history import SUSPECT_PRICE
from schemas.published.what_if import PLAN_VARIANT
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import Night, frame
from tests.present import present

TODAY = date(2026, 11, 25)


def suspect(**changes: Any) -> Any:
    row = {
        "offer_id": "o1", "step_from_quantity": 1, "vendor_code": "north", "part_code": "odd part", "colour_code": "red", "condition": "new",
        "listing_code": "", "currency_code": "EUR", "unit_price": Decimal("1.00"), "price_from_on": date(2026, 11, 20),
        "valid_from_on": date(2026, 11, 20), "valid_to_on": None, "own_price": Decimal("0.10"), "own_ratio": 10.0, "market_price": Decimal("0.11"),
        "market_ratio": 9.09, "rival_vendor_count": 5, "pack_size": 10, "suspicion": "price_per_pack", "cleared_from_on": None,
        "servable_piece_count": 0, "cost_influence": Decimal("0"), "influence_rank": 2,
    }  # fmt: skip
    return {**row, **changes}


@pytest.fixture(scope="module")
def night() -> Night:
    return sample(month_count=3)


def page_data(night: Night, *rows: Any, variants: Sequence[Any] = ()) -> Any:
    tables, inputs = night
    added = {"suspect_price": frame(SUSPECT_PRICE, list(rows)), "plan_variant": frame(PLAN_VARIANT, list(variants))}
    return PageData({**tables, **added}, inputs)


def first_cells(section: Any) -> Any:
    return [row[0] for row in section["table"].rows]


def test_without_suspects_there_is_no_section(night: Night, tmp_path: Path) -> None:
    assert suspect_section(page_data(night)) is None and suspect_words(page_data(night, suspect()), None) == []
    for path in write_pages(*night, tmp_path, months=["2026-11"]):
        assert "stand out" not in path.read_text(encoding="utf-8") if path.suffix in (".html", ".md") else True


def test_prices_come_by_rank_one_line_an_offer(night: Night) -> None:
    rows = [
        suspect(),
        suspect(step_from_quantity=50, influence_rank=3),
        suspect(offer_id="o2", part_code="dear", influence_rank=1),
        suspect(offer_id="o3", part_code="sold out", influence_rank=None),
    ]
    section = suspect_section(page_data(night, *rows))
    assert [cell.split(",")[0] for cell in first_cells(section)] == ["dear", "odd part"]
    assert present(section)["more"] == "" and present(section)["effects"] == []
    many = [suspect(offer_id=f"o{n}", part_code=f"p{n:02}", influence_rank=n) for n in range(1, 14)]
    section = suspect_section(page_data(night, *many))
    assert len(present(section)["table"].rows) == 10 and present(section)["more"].startswith("3 more")


def test_a_past_month_counts_what_was_known_then(night: Night) -> None:
    past = date(2026, 9, 30)
    then = {"price_from_on": date(2026, 9, 1), "valid_from_on": date(2026, 9, 1), "influence_rank": None}
    rows = [
        suspect(offer_id="a", part_code="then", valid_to_on=date(2026, 10, 2), **then),
        suspect(offer_id="b", part_code="further", market_ratio=0.01, valid_to_on=date(2026, 10, 2), **then),
        suspect(offer_id="c", part_code="gone", valid_to_on=past, **then),
        suspect(offer_id="d", part_code="later confirmed", cleared_from_on=TODAY, **then),
        suspect(offer_id="e", part_code="confirmed", cleared_from_on=past, **then),
        suspect(offer_id="f", part_code="later"),
    ]
    assert suspect_words(page_data(night, *rows), past) == ["3 prices that stand out are left out until confirmed."]
    assert suspect_words(page_data(night, rows[0]), past) == ["1 price that stands out is left out until confirmed."]


def test_the_difference_of_trusting_them_is_reported_where_there_is_one(night: Night, tmp_path: Path) -> None:
    plain = page_data(night)
    plan = plain.plan("m00", "inland", "cheapest")
    variant = {name: plan[name] for name in PLAN_VARIANT.columns[:4]} | {
        "variant_kind": "suspects_trusted", "variant_value": "all", "landed_cost": plan["landed_cost"] - Decimal("1.5"),
        "unfilled_piece_count": plan["unfilled_piece_count"], "vendor_count": 2, "variant_vendor_codes": "a;b",
    }  # fmt: skip
    same = {**variant, "model_code": "m01", "landed_cost": plain.plan("m01", "inland", "cheapest")["landed_cost"]}
    same["unfilled_piece_count"] = plain.plan("m01", "inland", "cheapest")["unfilled_piece_count"]
    known = page_data(night, suspect(), variants=[variant, same])
    reported = present(suspect_section(known))["effects"]
    assert (
        len(reported) == 1
        and f"{plan['landed_cost'] - Decimal('1.5'):.2f}" in reported[0]
        and "missing" not in reported[0]
    )
    tables = {
        **night[0],
        "suspect_price": frame(SUSPECT_PRICE, [suspect()]),
        "plan_variant": frame(PLAN_VARIANT, [variant]),
    }
    write_pages(tables, night[1], tmp_path, months=["2026-11"])
    text = (tmp_path / "private/index.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "Prices that stand out" in text and "the price of a pack of 10?" in text and reported[0] in text
    for ending in ("html", "md"):
        report = (tmp_path / f"public/reports/2026-11.{ending}").read_text(encoding="utf-8")
        assert "1 price that stands out is left out until confirmed" in report and "odd part" not in report


@pytest.mark.parametrize(
    ("suspicion", "pack", "ratio", "words"),
    [
        ("price_per_pack", 10, 9.8, "about 10 times the usual price: the price of a pack of 10?"),
        ("decimal_point", 10, 0.1, "about 1/10 of the usual price: a slipped decimal point, or a pack of 10"),
        ("price_divided", 5, 0.2, "about 1/5 of the usual price: divided by a pack of 5 once too often?"),
        ("stands_out", None, 2.44, "2.4 times the usual price"),
        ("stands_out", None, 0.334, "0.33 times the usual price"),
    ],
)
def test_a_suspicion_in_words(suspicion: str, pack: int | None, ratio: float, words: str) -> None:
    assert in_words({"suspicion": suspicion, "pack_size": pack}, ratio) == words
