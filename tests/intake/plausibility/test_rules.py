"""Every rule of plausibility: what it finds, and what lies just within its threshold."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from pipelines.intake.plausibility import sentences
from pipelines.intake.plausibility.rules import (
    Compared,
    ExportKey,
    Figures,
    Known,
    OtherList,
    Steps,
    findings_of,
    needs_other_lists,
)
from pipelines.settings_plausibility import PlausibilitySettings

DAY = date(2026, 10, 31)
KEY = ExportKey("f", "north", DAY)
KNOWN = Known({"north": "EUR", "south": "USD", "v02": "EUR"}, frozenset({"red", "blue"}), frozenset({"EUR", "USD"}))
BEFORE = Compared("e", DAY - timedelta(days=1), 100, 100, 98, 0, 95, 0, 1.0)
USUAL = Figures(
    is_full=True,
    element_count=100,
    first_on=DAY - timedelta(days=300),
    last_on=DAY - timedelta(days=1),
    last_before_on=DAY - timedelta(days=1),
    other_count=8,
    near_last_count=8,
    near_first_count=8,
    previous=BEFORE,
    usual_count=100.0,
    currencies=frozenset({"EUR"}),
)
FIRST = replace(USUAL, first_on=None, last_on=None, last_before_on=None, previous=None, usual_count=None)


def found(figures: Figures) -> dict[str, str]:
    """Rule -> verdict."""
    findings = findings_of(KEY, figures, KNOWN, PlausibilitySettings())
    for finding in findings:
        said = sentences.sentence(finding.finding_rule, finding.measured, finding.compared_on, finding.named)
        assert said and "None" not in said and "{" not in said
    assert len({finding.finding_rule for finding in findings}) == len(findings), "a rule is found once"
    return {finding.finding_rule: finding.verdict for finding in findings}


def compared(**changes: Any) -> Figures:
    return replace(USUAL, previous=replace(BEFORE, **changes))


def test_a_usual_export_and_a_first_one_are_believed() -> None:
    assert found(USUAL) == {} and found(FIRST) == {}
    assert found(Figures(is_full=True, element_count=1, currencies=frozenset({"EUR"}))) == {}


@pytest.mark.parametrize(
    ("figures", "rule", "verdict"),
    [
        (replace(USUAL, last_on=DAY - timedelta(days=91), near_last_count=1), "dated_ahead", "waits"),
        (replace(USUAL, last_on=DAY - timedelta(days=91), other_count=0, near_last_count=0), "dated_ahead", "waits"),
        (replace(FIRST, near_last_count=1), "dated_ahead", "waits"),
        (replace(USUAL, first_on=DAY + timedelta(days=366), near_first_count=1), "dated_behind", "waits"),
        (replace(FIRST, near_first_count=1), "dated_behind", "waits"),
        (replace(USUAL, last_before_on=DAY + timedelta(days=32)), "dated_late", "reported"),
        (compared(common_count=69, same_price_count=69), "offers_gone", "waits"),
        (replace(compared(compared_count=75, common_count=65), element_count=65), "offers_gone", "waits"),
        (replace(USUAL, element_count=301), "list_grown", "waits"),
        (compared(price_ratio=1.51), "price_level", "waits"),
        (compared(price_ratio=1 / 1.51), "price_level", "waits"),
        (compared(price_ratio=100.0, common_count=1), "price_level", "waits"),
        (compared(far_moved_count=6), "prices_far_moved", "waits"),
        (replace(USUAL, steps=Steps(20, 2, 20, 1)), "steps_rising", "reported"),
        (replace(USUAL, steps=Steps(20, 10, 20, 0)), "steps_rising", "reported"),
        (replace(USUAL, steps=Steps(20, 11, 20, 0)), "steps_rising", "waits"),
        (replace(USUAL, steps=Steps(20, 11, 20, 10)), "steps_rising", "waits"),
        (replace(USUAL, steps=Steps(4, 4, 4, 0)), "steps_rising", "reported"),
        (replace(USUAL, steps=Steps(20, 20, 0, 0)), "steps_rising", "reported"),
        (replace(FIRST, steps=Steps(20, 20, 0, 0)), "steps_rising", "reported"),
        (compared(other_currency_count=1), "currency_changed", "waits"),
        (replace(FIRST, currencies=frozenset({"USD"})), "currency_not_vendors", "waits"),
        (replace(USUAL, currencies=frozenset({"EUR", "CHF"})), "currency_without_rate", "reported"),
        (replace(USUAL, unseen={"colour_code": {"rde": 4}}), "colours_never_seen", "reported"),
        (replace(USUAL, unseen={"colour_code": {"rde": 21}}), "colours_never_seen", "waits"),
        (replace(USUAL, unseen={"part_code": {"x": 21}}), "parts_never_seen", "waits"),
        (
            replace(USUAL, unseen={"part_code": {"0O501": 1}}, gone_parts=frozenset({"00501"})),
            "parts_mistyped",
            "reported",
        ),
    ],
)  # fmt: skip
def test_each_rule_finds_what_it_is_for(figures: Figures, rule: str, verdict: str) -> None:
    assert found(figures).get(rule) == verdict


@pytest.mark.parametrize(
    "figures",
    [
        replace(USUAL, last_on=DAY - timedelta(days=90), near_last_count=0),
        replace(USUAL, last_on=DAY - timedelta(days=500), near_last_count=2),  # a quarter of the others have such dates
        replace(USUAL, first_on=DAY + timedelta(days=365), near_first_count=0, last_before_on=None),
        replace(USUAL, last_before_on=DAY + timedelta(days=31)),
        compared(common_count=70, same_price_count=70),
        replace(USUAL, element_count=300),
        replace(USUAL, is_full=False, previous=replace(BEFORE, common_count=1, same_price_count=1)),
        compared(price_ratio=1.5),
        replace(
            compared(price_ratio=2.0, common_count=4, compared_count=4), usual_count=40.0
        ),  # two of four may double
        compared(far_moved_count=4),
        replace(USUAL, steps=Steps(20, 1, 20, 0)),
        replace(USUAL, steps=Steps(20, 10, 20, 2)),  # some rose before
        replace(USUAL, steps=Steps(20, 20, 20, 11)),  # most did
        replace(USUAL, unseen={"part_code": {"x": 20}}),
        replace(FIRST, unseen={"part_code": {"x": 100}}),
    ],
)
def test_what_lies_within_the_thresholds_is_believed(figures: Figures) -> None:
    assert found(figures) == {}


def test_few_offers_gone_wait_only_if_over_half_are() -> None:
    four = replace(USUAL, element_count=2, usual_count=4.0)
    assert found(replace(four, previous=replace(BEFORE, compared_count=4, common_count=2))) == {}
    assert "offers_gone" in found(replace(four, previous=replace(BEFORE, compared_count=4, common_count=1)))


def test_bit_by_bit_a_list_can_not_vanish_unseen() -> None:
    """Each export loses a fifth of the one before; the usual size stays that of the five before it."""
    sizes, waits = [100], []
    while sizes[-1] > 20:
        usual = sorted(sizes[-5:])[len(sizes[-5:]) // 2]
        size = sizes[-1] * 4 // 5
        figures = replace(
            USUAL,
            element_count=size,
            usual_count=float(usual),
            previous=replace(BEFORE, compared_count=sizes[-1], common_count=size, same_price_count=size),
        )
        waits.append("offers_gone" in found(figures))
        sizes.append(size)
    assert any(waits)


def test_a_late_export_with_the_newest_prices_has_a_wrong_date() -> None:
    newest = replace(BEFORE, compared_on=DAY + timedelta(days=20), same_price_count=97, common_count=99)
    older = replace(BEFORE, same_price_count=60)
    late = replace(USUAL, last_before_on=DAY + timedelta(days=20), newest=newest, previous=older)
    assert found(late) == {"like_newest_export": "waits"}
    assert found(replace(late, previous=replace(older, same_price_count=90))) == {}, "prices that hardly move"
    assert found(replace(late, newest=replace(newest, same_price_count=80))) == {}


def test_a_list_of_another_vendor_and_a_level_of_another_market_wait() -> None:
    own = OtherList("south", "s", DAY, 40, 5, 1.1)
    doubtful = replace(FIRST, others=(own, OtherList("v02", "v", DAY, 90, 61, 1.0)))
    assert needs_other_lists(doubtful) and not needs_other_lists(USUAL)
    assert found(doubtful) == {"list_of_other_vendor": "waits"}
    dear = (replace(own, price_ratio=4.1), OtherList("v02", "v", DAY, 90, 2, 5.0), OtherList("w", "w", DAY, 4, 0, 1.0))
    assert found(replace(FIRST, others=dear)) == {"market_level": "waits"}
    assert found(replace(FIRST, others=(replace(own, price_ratio=3.9),))) == {}


@pytest.mark.parametrize(
    ("vendor", "rule"),
    [("vO2", "vendor_mistyped"), ("nroth", "vendor_mistyped"), ("North ", "vendor_mistyped"), ("v03", "vendor_unknown"), ("brook", "vendor_unknown")],
)  # fmt: skip
def test_an_unknown_vendor_waits_if_a_known_one_is_written_much_like_it(vendor: str, rule: str) -> None:
    findings = findings_of(replace(KEY, vendor_code=vendor), FIRST, KNOWN, PlausibilitySettings())
    assert [finding.finding_rule for finding in findings] == [rule]
    if rule == "vendor_mistyped":
        assert "nearest known: " in findings[0].named


def test_codes_are_named_with_the_nearest_known_one() -> None:
    figures = replace(USUAL, unseen={"colour_code": {"rde": 2, "zzz": 1, "y1": 1, "y2": 1}})
    [finding] = findings_of(KEY, figures, KNOWN, PlausibilitySettings())
    assert finding.named == "rde (nearest known: red), y1, y2 and 1 more"


@pytest.mark.parametrize(
    ("typed", "gone", "is_found"),
    [
        ("3102x", "3012", True),  # two exchanged, and a letter more
        ("x3102", "3012", True),
        ("01010x", "00101", False),  # two exchanges
        ("0010", "0100", False),  # two digits exchanged are another number
        ("ab12", "ba12", True),
        ("3012b", "3012", True),
        ("31025", "3012", False),  # two exchanged, and a digit more: codes are so alike by chance
        ("3456", "3012", False),
    ],
)
def test_mistyped_parts_are_reported_with_the_code_that_is_gone(typed: str, gone: str, is_found: bool) -> None:
    figures = replace(USUAL, unseen={"part_code": {typed: 2}}, gone_parts=frozenset({gone, "9777", "9888x"}))
    findings = findings_of(KEY, figures, KNOWN, PlausibilitySettings())
    said = [(each.finding_rule, each.verdict, each.named) for each in findings]
    assert said == ([("parts_mistyped", "reported", f"{typed} (nearest known: {gone})")] if is_found else [])


def test_the_nearest_code_is_the_one_that_was_meant() -> None:
    """By difflib's ratio alone 3702x9 would be nearer."""
    figures = replace(USUAL, unseen={"part_code": {"3102x": 2}}, gone_parts=frozenset({"3012", "3702x9"}))
    [finding] = findings_of(KEY, figures, KNOWN, PlausibilitySettings())
    assert finding.named == "3102x (nearest known: 3012)"


def test_every_threshold_of_the_settings_counts() -> None:
    """With each setting at its other extreme some finding above is gone or new."""
    lenient = {
        "days_ahead": (replace(USUAL, last_on=DAY - timedelta(days=91), near_last_count=0), 1000),
        "days_behind": (replace(USUAL, first_on=DAY + timedelta(days=366), near_first_count=0, last_before_on=None), 1000),
        "days_late": (replace(USUAL, last_before_on=DAY + timedelta(days=32)), 1000),
        "offers_gone_pct": (compared(common_count=60), 90),
        "growth_factor": (replace(USUAL, element_count=400), 9),
        "price_level_factor": (compared(price_ratio=3.0), 4),
        "market_level_factor": (replace(FIRST, others=(OtherList("south", "s", DAY, 40, 0, 5.0),)), 9),
        "far_moved_pct": (compared(far_moved_count=20), 50),
        "rising_steps_pct": (replace(USUAL, steps=Steps(20, 5, 20, 0)), 25),
        "new_codes_pct": (replace(USUAL, unseen={"part_code": {"x": 30}}), 50),
    }  # fmt: skip
    for name, (figures, value) in lenient.items():
        changed = PlausibilitySettings.model_validate({name: value})
        assert found(figures) and not findings_of(KEY, figures, KNOWN, changed), name
    # far_moved_factor is a figure of the warehouse: see the tests of whole exports.
    assert {*lenient, "far_moved_factor"} == set(PlausibilitySettings.model_fields)
