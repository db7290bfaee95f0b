from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.demand.model_portions import PORTIONS_SCHEMA, latest_change, portions_on
from pipelines.errors import InputError
from pipelines.inputs import Model
from pipelines.settings import ListVersion
from tests.builders.markets import DAY, flexibility, line, make_model


def shown(model: Model, *names: str, day: date = DAY, use_flexibility: bool = True) -> list[tuple[Any, ...]]:
    return portions_on(model, day, use_flexibility).select("line_number", "portion_number", "quantity", *names).rows()


def test_a_line_nobody_decided_is_one_undecided_portion() -> None:
    found = portions_on(make_model([line(1, "brick", "red", 4)]), DAY, True)
    assert found.schema == PORTIONS_SCHEMA
    assert found.to_dicts() == [
        {
            "line_number": 1,
            "portion_number": 1,
            "portion_source": "designer",
            "listed_part_code": "brick",
            "listed_colour_code": "red",
            "quantity": 4,
            "colour_rule": "undecided",
            "accept_colour_codes": [],
            "refuse_colour_codes": [],
            "group_code": "",
            "near_distance": None,
            "accept_conditions": ["new"],
            "is_load_bearing": True,
        }
    ]


def test_the_version_of_the_day_holds() -> None:
    model = make_model(
        [
            line(1, "brick", "red", 4),
            line(1, "brick", "red", 6, list_version=2),
            line(2, "plate", "red", 1, list_version=2),
        ],
        versions=[
            ListVersion(list_version=1, released_on=date(2026, 1, 1)),
            ListVersion(list_version=2, released_on=date(2026, 6, 1)),
        ],
    )
    assert shown(model, day=date(2025, 12, 31)) == []
    assert shown(model, day=date(2026, 5, 31)) == [(1, 1, 4)]
    assert shown(model, day=date(2026, 6, 1)) == [(1, 1, 6), (2, 1, 1)]


def test_sections_can_be_skipped() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "lamp", "red", 1, section_code="lights")], skip_sections=["lights"]
    )
    assert shown(model) == [(1, 1, 4)]


def test_copies_multiply_lines_portions_and_removals() -> None:
    model = make_model(
        [line(1, "brick", "red", 4)],
        [flexibility(1, "any", quantity=1), flexibility(1, "as_listed", portion_number=2, quantity=2)],
        [{"line_number": 1, "amendment_action": "remove", "quantity": 1}],
        copy_count=3,
    )
    assert shown(model, "colour_rule") == [(1, 1, 3, "any"), (1, 2, 6, "as_listed")]


def test_an_empty_quantity_takes_the_rest_and_the_uncovered_is_as_listed() -> None:
    rest = make_model(
        [line(1, "brick", "red", 10)],
        [flexibility(1, "any", portion_number=1), flexibility(1, "one_of", portion_number=2, quantity=3)],
    )
    assert shown(rest, "colour_rule") == [(1, 1, 7, "any"), (1, 2, 3, "one_of")]
    uncovered = make_model([line(1, "brick", "red", 10)], [flexibility(1, "any", portion_number=2, quantity=3)])
    assert shown(uncovered, "colour_rule", "is_load_bearing") == [(1, 2, 3, "any", True), (1, 3, 7, "as_listed", True)]


def test_portions_beyond_the_line_shrink_from_the_last() -> None:
    flexible_lines = [flexibility(1, "any", portion_number=n, quantity=4) for n in (1, 2, 3)] + [
        flexibility(1, "near", portion_number=4)
    ]
    assert shown(make_model([line(1, "brick", "red", 6)], flexible_lines)) == [(1, 1, 4), (1, 2, 2)]


def test_the_latest_decision_replaces_all_earlier_rows_of_its_line() -> None:
    model = make_model(
        [line(1, "brick", "red", 10), line(2, "plate", "red", 1)],
        [
            flexibility(1, "any", portion_number=1, quantity=4, decided_on="2026-02-01"),
            flexibility(1, "near", portion_number=2, quantity=6, near_distance=5, decided_on="2026-02-01"),
            flexibility(1, "one_of", quantity=2, accept_colour_codes="blue; grey", decided_on="2026-05-01"),
            flexibility(2, "any", decided_on="2026-02-01"),
        ],
    )
    assert shown(model, "colour_rule", day=date(2026, 1, 31)) == [(1, 1, 10, "undecided"), (2, 1, 1, "undecided")]
    assert shown(model, "colour_rule", day=date(2026, 4, 30)) == [(1, 1, 4, "any"), (1, 2, 6, "near"), (2, 1, 1, "any")]
    assert shown(model, "colour_rule", "accept_colour_codes", day=date(2026, 5, 1)) == [
        (1, 1, 2, "one_of", ["blue", "grey"]),
        (1, 2, 8, "as_listed", []),
        (2, 1, 1, "any", []),
    ]


def test_without_flexible_lines_the_portions_stay_but_are_as_listed() -> None:
    model = make_model(
        [line(1, "brick", "red", 10)],
        [
            flexibility(1, "any_one", quantity=4, group_code="g", refuse_colour_codes="red", is_load_bearing="false",
                    accept_conditions="new;used"),
        ],
        [{"line_number": 90, "amendment_action": "add", "part_code": "plate", "quantity": 5}],
    )  # fmt: skip
    names = ("colour_rule", "refuse_colour_codes", "group_code", "is_load_bearing", "accept_conditions")
    assert shown(model, *names, use_flexibility=False) == [
        (1, 1, 4, "as_listed", [], "", False, ["new", "used"]),
        (1, 2, 6, "as_listed", [], "", True, ["new"]),
        (90, 1, 5, "any", [], "", True, ["new"]),
    ]


def test_any_one_without_a_group_is_a_group_of_its_own() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "brick", "red", 4)], [flexibility(1, "any_one"), flexibility(2, "any_one")]
    )
    assert shown(model, "group_code") == [(1, 1, 4, "line 1 portion 1"), (2, 1, 4, "line 2 portion 1")]


def test_amendments_add_and_remove_from_their_date() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 1)],
        amendments=[
            {"line_number": 1, "amendment_action": "remove", "quantity": 1, "valid_from_on": "2026-02-01"},
            {"line_number": 1, "amendment_action": "remove", "quantity": 2, "valid_from_on": "2026-03-01"},
            {"line_number": 2, "amendment_action": "remove", "quantity": 9, "valid_from_on": "2026-03-01"},
            {"line_number": 90, "amendment_action": "add", "part_code": "tile", "quantity": 5, "valid_from_on": "2026-02-01"},
            {"line_number": 90, "amendment_action": "remove", "quantity": 2, "valid_from_on": "2026-03-01"},
            {"line_number": 90, "amendment_action": "add", "part_code": "tile", "colour_code": "grey", "colour_rule": "as_listed",
             "quantity": 7, "valid_from_on": "2026-04-01"},
            {"line_number": 55, "amendment_action": "remove", "quantity": 2, "valid_from_on": "2026-03-01"},
        ],
    )  # fmt: skip
    assert shown(model, day=date(2026, 1, 31)) == [(1, 1, 4), (2, 1, 1)]
    assert shown(model, "portion_source", "colour_rule", day=date(2026, 2, 1)) == [
        (1, 1, 3, "designer", "undecided"),
        (2, 1, 1, "designer", "undecided"),
        (90, 1, 5, "amendment", "any"),
    ]
    assert shown(model, day=date(2026, 3, 1)) == [(1, 1, 1), (90, 1, 3)]
    assert shown(model, "colour_rule", "listed_colour_code", day=date(2026, 4, 1)) == [
        (1, 1, 1, "undecided", "red"),
        (90, 1, 7, "as_listed", "grey"),
    ]


@pytest.mark.parametrize(
    "amendment",
    [
        {"line_number": 1, "amendment_action": "add", "part_code": "tile", "quantity": 5},
        {"line_number": 90, "amendment_action": "add", "quantity": 5},
        {"line_number": 90, "amendment_action": "add", "part_code": "tile", "quantity": 5, "colour_rule": "near"},
    ],
    ids=["taken number", "no part", "no colour"],
)
def test_amendments_that_make_no_sense_are_refused_by_name(amendment: dict[str, Any]) -> None:
    with pytest.raises(InputError) as refused:
        portions_on(make_model([line(1, "brick", "red", 4)], amendments=[amendment]), DAY, True)
    assert refused.value.where == "models/mill/amendments.csv"
    assert f"line {amendment['line_number']}" in refused.value.what
    assert refused.value.next_step


def test_a_number_taken_in_a_skipped_section_is_taken() -> None:
    model = make_model(
        [line(1, "brick", "red", 4, section_code="lights")],
        amendments=[{"line_number": 1, "amendment_action": "add", "part_code": "tile", "quantity": 5}],
        skip_sections=["lights"],
    )
    with pytest.raises(InputError):
        portions_on(model, DAY, True)


@settings(max_examples=40, deadline=None)
@given(
    quantity=st.integers(1, 12),
    copies=st.integers(1, 3),
    stated=st.lists(st.one_of(st.none(), st.integers(1, 8)), max_size=4),
    use_flexibility=st.booleans(),
)
def test_portions_always_add_up_to_their_line(
    quantity: int, copies: int, stated: list[Any], use_flexibility: bool
) -> None:
    flexible_lines = [flexibility(1, "any", portion_number=n, quantity=q) for n, q in enumerate(stated, 1)]
    model = make_model([line(1, "brick", "red", quantity)], flexible_lines, copy_count=copies)
    found = portions_on(model, DAY, use_flexibility)
    assert found["quantity"].sum() == quantity * copies
    assert (found["quantity"] >= 1).all()
    assert found["portion_number"].is_unique().all()


def test_between_its_changes_a_model_wants_the_same() -> None:
    model = make_model(
        [line(1, "brick", "red", 4, list_version=1), line(1, "brick", "red", 6, list_version=2)],
        [flexibility(1, "any", decided_on="2026-03-01"), flexibility(1, "as_listed", decided_on="2026-05-02")],
        [
            {
                "line_number": 90,
                "amendment_action": "add",
                "part_code": "plate",
                "quantity": 5,
                "valid_from_on": "2026-04-01",
            },
            {"line_number": 1, "amendment_action": "remove", "quantity": 1, "valid_from_on": "2026-06-01"},
        ],
        versions=[
            ListVersion(list_version=1, released_on=date(2026, 2, 1)),
            ListVersion(list_version=2, released_on=date(2026, 7, 1)),
        ],
    )
    days = [date(2026, month, day) for month in range(1, 9) for day in (1, 2, 28)]
    changes = {day: latest_change(model, day) for day in days}
    assert [changed for changed in dict.fromkeys(changes.values()) if changed] == [
        date(2026, 2, 1), date(2026, 3, 1), date(2026, 4, 1), date(2026, 5, 2), date(2026, 6, 1), date(2026, 7, 1),
    ]  # fmt: skip
    for use_flexibility in (True, False):
        for day, changed in changes.items():
            found = portions_on(model, day, use_flexibility)
            assert found.height == 0 if changed is None else found.equals(portions_on(model, changed, use_flexibility))
