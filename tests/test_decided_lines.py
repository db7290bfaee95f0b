"""Decisions stay with their part and colour, or are put aside, however a revised list numbers its lines."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.demand.model_portions import portions_on
from pipelines.inputs import Model, decisions_on, lines_on
from pipelines.settings import ListVersion
from tests.builders.markets import flexibility, line, make_model

FIRST, SECOND, TODAY = date(2026, 1, 1), date(2026, 6, 1), date(2026, 11, 30)
VERSIONS = [ListVersion(list_version=1, released_on=FIRST), ListVersion(list_version=2, released_on=SECOND)]
Lines = dict[int, tuple[str, str, int]]


def revised(old: Lines, new: Lines, decisions: list[dict[str, Any]]) -> Model:
    rows = [
        line(number, *cells, list_version=version)
        for version, lines in ((1, old), (2, new))
        for number, cells in lines.items()
    ]
    return make_model(rows, decisions, versions=VERSIONS)


def decided(*decisions: tuple[int, str], on: date = date(2026, 2, 1), **more: Any) -> list[dict[str, Any]]:
    return [flexibility(number, rule, decided_on=on, **more) for number, rule in decisions]


def rules(model: Model, day: date = TODAY) -> dict[int, str]:
    return {row["line_number"]: row["colour_rule"] for row in portions_on(model, day, True).iter_rows(named=True)}


def reasons(model: Model) -> dict[int, str]:
    return {each.line_number: each.reason for each in decisions_on(model, TODAY).put_aside}


RED, BLUE = ("brick", "red", 4), ("plate", "blue", 2)


def test_two_lines_that_change_places_take_their_decisions_with_them() -> None:
    model = revised({1: RED, 2: BLUE}, {1: BLUE, 2: RED}, decided((2, "any")))
    assert rules(model) == {1: "any", 2: "undecided"} and not reasons(model)
    assert rules(model, date(2026, 3, 1)) == {1: "undecided", 2: "any"}, "a past date keeps its numbers"


def test_a_list_rewritten_in_place_takes_decisions_that_name_their_part() -> None:
    named = decided((2, "any"), part_code="plate", colour_code="blue")
    swapped = make_model([line(1, *BLUE), line(2, *RED)], named)
    assert rules(swapped) == {1: "any", 2: "undecided"}


def test_a_changed_colour_puts_the_decision_aside_until_the_line_is_decided_again() -> None:
    model = revised({1: RED}, {1: ("brick", "blue", 4)}, decided((1, "any")))
    assert rules(model) == {1: "undecided"}
    assert reasons(model) == {1: "line 1 is brick in blue now, and no line is brick in red"}
    again = [*decided((1, "any")), *decided((1, "near"), on=date(2026, 7, 1), near_distance=5)]
    assert rules(revised({1: RED}, {1: ("brick", "blue", 4)}, again)) == {1: "near"}
    assert not reasons(revised({1: RED}, {1: ("brick", "blue", 4)}, again))


def test_a_decision_that_came_from_another_line_settles_nothing() -> None:
    model = revised({1: RED, 2: BLUE}, {2: RED}, decided((1, "any"), (2, "any")))
    assert rules(model) == {2: "any"}
    assert reasons(model) == {2: "line 2 is brick in red now, and no line is plate in blue"}


def test_joined_lines_keep_only_what_both_had() -> None:
    old, new = {1: RED, 2: RED}, {1: ("brick", "red", 8)}
    assert rules(revised(old, new, decided((1, "any"), (2, "any")))) == {1: "any"}
    differing = revised(old, new, decided((1, "any"), (2, "as_listed")))
    assert rules(differing) == {1: "undecided"}
    assert set(reasons(differing).values()) == {"lines with different decisions were joined in line 1"}
    again = [*decided((1, "any"), (2, "as_listed")), *decided((1, "any"), on=date(2026, 8, 1))]
    assert rules(revised(old, new, again)) == {1: "any"} and not reasons(revised(old, new, again))


def test_a_split_line_with_new_numbers_could_be_meant_by_either() -> None:
    model = revised({1: RED}, {5: ("brick", "red", 3), 6: ("brick", "red", 1)}, decided((1, "any")))
    assert rules(model) == {5: "undecided", 6: "undecided"}
    assert reasons(model) == {1: "brick in red is in lines 5, 6 now, and any of them could be meant"}


def test_a_removed_part_is_said_to_be_gone_and_counts_when_it_returns() -> None:
    model = revised({1: RED, 2: BLUE}, {2: BLUE}, decided((1, "any")))
    assert reasons(model) == {1: "no line is brick in red now"}
    third = [*VERSIONS, ListVersion(list_version=3, released_on=date(2026, 9, 1))]
    rows = [*model.parts_list.to_dicts(), line(7, *RED, list_version=3)]
    back = make_model(rows, model.flexible_lines.to_dicts(), versions=third)
    assert rules(back) == {7: "any"} and not reasons(back)


def test_a_decision_about_a_line_to_come_waits_without_a_word() -> None:
    model = revised({1: RED}, {1: RED, 2: BLUE}, decided((2, "any")))
    assert rules(model) == {1: "undecided", 2: "any"}
    assert not decisions_on(model, date(2026, 3, 1)).put_aside


elements = st.sampled_from([("brick", "red"), ("brick", "blue"), ("plate", "red"), ("tile", "grey")])


@st.composite
def revisions(draw: st.DrawFn) -> tuple[Lines, Lines, list[int]]:
    """A list, a revision of it (renumbered, reordered, split, merged, dropped and added to), and the decided lines."""
    pieces = draw(st.lists(st.tuples(elements, st.integers(1, 6)), min_size=1, max_size=7))
    old = {number: (*element, count) for number, (element, count) in enumerate(pieces, 1)}
    rows = [each for each in pieces if draw(st.integers(0, 5))]
    for at in draw(st.sets(st.integers(0, 6), max_size=2)):
        if at < len(rows) and rows[at][1] > 1:  # split
            element, count = rows[at]
            rows[at] = (element, 1)
            rows.append((element, count - 1))
    if draw(st.booleans()):  # merge
        total: dict[tuple[str, str], int] = {}
        for element, count in rows:
            total[element] = total.get(element, 0) + count
        rows = list(total.items())
    rows += draw(st.lists(st.tuples(elements, st.integers(1, 6)), max_size=2))
    rows = draw(st.permutations(rows)) or [(("tile", "grey"), 1)]
    numbers = draw(st.permutations(range(1, len(rows) + 4)))[: len(rows)]
    new = {number: (*element, count) for number, (element, count) in zip(numbers, rows, strict=True)}
    return old, new, sorted(draw(st.sets(st.sampled_from(sorted(old)))))


@given(revisions(), st.booleans())
def test_a_decision_stays_with_its_part_and_colour_or_is_put_aside(
    case: tuple[Lines, Lines, list[int]], is_in_place: bool
) -> None:
    """Every decision has a mark of its own, so that where it went shows."""
    old, new, chosen = case
    marked = [
        flexibility(n, "near", near_distance=n, decided_on="2026-02-01", part_code=old[n][0], colour_code=old[n][1])
        for n in chosen
    ]
    model = revised(old, new, marked)
    if is_in_place:
        model = make_model([line(number, *cells) for number, cells in new.items()], marked)
    found = portions_on(model, TODAY, True)
    assert found["quantity"].sum() == sum(cells[2] for cells in new.values())
    counted = set()
    for row in found.filter(found["colour_rule"] == "near").iter_rows(named=True):
        about = old[int(row["near_distance"])]
        assert (row["listed_part_code"], row["listed_colour_code"]) == about[:2], "a decision moved to another part"
        counted.add(int(row["near_distance"]))
    assert len(counted) == (found["colour_rule"] == "near").sum(), "one decision counts for two lines"
    aside = {each.line_number for each in decisions_on(model, TODAY).put_aside}
    assert counted | aside == set(chosen) and not counted & aside, "a decision vanished"
    kept = [n for n in chosen if new.get(n, ("", ""))[:2] == old[n][:2]]
    alone = [n for n in kept if sum(1 for each in chosen if old[each][:2] == old[n][:2]) == 1]
    assert set(alone) <= counted, "a decision whose line stayed as it was was put aside"


@given(revisions())
def test_the_same_list_in_another_order_changes_nothing(case: tuple[Lines, Lines, list[int]]) -> None:
    old, _, chosen = case
    model = revised(old, old, decided(*((n, "any") for n in chosen)))
    shuffled = replace(model, parts_list=model.parts_list.reverse(), flexible_lines=model.flexible_lines.reverse())
    assert rules(model) == rules(shuffled) == {n: "any" if n in chosen else "undecided" for n in old}
    assert lines_on(model, TODAY) == {n: cells[:2] for n, cells in old.items()}


def test_an_unstated_part_is_what_the_line_was_on_its_day() -> None:
    model = revised({1: RED, 2: BLUE}, {1: BLUE, 2: RED}, decided((2, "any"), on=date(2026, 7, 1)))
    assert rules(model) == {1: "undecided", 2: "any"}, "decided when line 2 was the brick already"


@pytest.mark.parametrize("rule", ["any", "as_listed"])
def test_an_added_line_keeps_its_decision(rule: str) -> None:
    added = [{"line_number": 101, "amendment_action": "add", "part_code": "tile", "colour_code": "", "quantity": 2, "colour_rule": "any"}]  # fmt: skip
    model = make_model([line(1, *RED)], decided((101, rule)), added)
    assert rules(model) == {1: "undecided", 101: rule}
