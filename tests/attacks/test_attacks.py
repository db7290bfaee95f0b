"""The harness itself in small form: kills are noticed, faults are found where there are any, and the page has every promise."""

import shutil
import signal
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.attacks import kills, workspaces
from tests.attacks.attacks import ATTACKS
from tests.attacks.killed_refresh import Moment, Order, kind_of
from tests.attacks.results import COLUMNS, MARKERS, Attack, Result, Results, put_into, table
from tests.attacks.runs import ROOT, Run, forkserver
from tests.attacks.work import Ground, run
from tests.builders.faulty_workspaces import copied

PAGE = (ROOT / "docs" / "reliability.md").read_text(encoding="utf-8")
ATTACK = Attack("try", "It holds.", "it is tried", "tries", "TRIES", 5)


def test_the_page_has_every_promise_and_every_column() -> None:
    made = PAGE[PAGE.index(MARKERS[0]) : PAGE.index(MARKERS[1])]
    header, rule, *rows = made.strip().splitlines()[2:]
    assert header == "| " + " | ".join(COLUMNS) + " |" and set(rule) <= set("|- ")
    cells = [row.split(" | ") for row in rows if row]
    assert [(row[0].removeprefix("| "), row[1]) for row in cells] == [(a.promise, a.what) for a in ATTACKS]
    assert all(len(row) == len(COLUMNS) and f"ONLY={a.name}" in row[-1] for row, a in zip(cells, ATTACKS, strict=True))


def test_make_hands_on_every_option() -> None:
    [line] = [line for line in (ROOT / "Makefile").read_text().splitlines() if line.startswith("ATTACK_OPTIONS")]
    options = {attack.option for attack in ATTACKS} | {"SECONDS", "SEED", "WORKERS"}
    assert set(line.split(":=")[1].split()) == options


def test_results_add_up_over_runs_and_a_broken_promise_is_in_the_table(tmp_path: Path) -> None:
    results = Results(tmp_path, ATTACK, seed=3)
    assert results.row()[2:4] == ("0 of 5 tries", "not run")
    results.add(Result(0, 2, {"at random": 2}))
    again = Results(tmp_path, ATTACK, seed=3)
    again.add(Result(1, 1, {"at random": 1}, ["it | broke\nhere"]))
    again.add(Result(2, not_run="no disk"))
    assert again.done == {0, 1} and again.count == 3 and Results(tmp_path, ATTACK, seed=4).count == 0
    row = Results(tmp_path, ATTACK, seed=3).row()
    assert row[2] == "3 of 5 tries" and row[3].startswith("broken 1 times, first: it | broke\nhere; 3 at random; ")
    made = table([row])
    assert made.count("\n") == 3 and "it \\| broke here" in made
    page = tmp_path / "page.md"
    page.write_text(f"before\n{MARKERS[0]}\nold\n{MARKERS[1]}\nafter\n")
    put_into(page, made)
    put_into(page, made)
    assert page.read_text() == f"before\n{MARKERS[0]}\n\n{made}\n{MARKERS[1]}\nafter\n"


def test_an_attack_goes_on_where_it_stopped_and_ends_when_it_cannot_run(tmp_path: Path) -> None:
    tried: list[int] = []

    def part(_ground: Any, number: int, left: int) -> Result:
        tried.append(number)
        if number == 3:
            raise ValueError("no more")
        return Result(number, min(left, 1))

    ground = Ground(tmp_path, tmp_path, 1, None)
    for _ in range(2):
        run(replace(ATTACK, usual=len(tried) + 2), part, Results(tmp_path, ATTACK, 1), ground, float("inf"), workers=1)
    assert tried == [0, 1, 2, 3]
    results = Results(tmp_path, ATTACK, 1)
    assert results.count == 3 and "part 3 broke off: ValueError: no more" in results.row()[3]
    run(ATTACK, part, results, ground, deadline=0, workers=1)
    assert tried == [0, 1, 2, 3], "the time was over"


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("inbox/north.csv", "inbox/*.csv"),
        ("archive/0a/" + "0a" * 32, "archive/#/*"),
        ("archive/.storing-ab1_x9zz", "archive/*"),
        ("generations/2026-10-04-55edef061f77.building/orders/hut/own/cheapest/one.csv", "generations/#-#-#-#.building/orders/*.csv"),
        ("published", "published"),
    ],
)  # fmt: skip
def test_moments_of_one_kind_have_one_name(path: str, kind: str) -> None:
    assert kind_of(path) == kind


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return kills.small_world(tmp_path_factory.mktemp("world"), forkserver())


def test_a_refresh_is_killed_at_its_moments_and_all_is_well(known: workspaces.Known, tmp_path: Path) -> None:
    """Right after a file is loaded, and right before the swap; then a refresh ends."""
    assert {"os.rename published", "before the commit of load_file"} <= set(known.moments)
    moments = [Moment("after the commit of load_file", 3, after=True), Moment("os.rename published")]
    chain = kills.Chain(known, tmp_path, forkserver(), seed=1)
    for moment in moments:
        run = chain._run(moment)
        assert run.end(120) == -signal.SIGKILL, moment
        assert workspaces.wrong_after_kill(chain.place, known) == []
    assert chain.result(0, most=0) == Result(0)


def test_what_was_damaged_lost_or_left_out_is_found(known: workspaces.Known, tmp_path: Path) -> None:
    """A harness that finds nothing proves nothing."""
    from pipelines.workspace import Workspace

    place = Workspace(copied(known.template, tmp_path / "space"))
    assert workspaces.wrong_after_kill(place, known) == []
    log = tmp_path / "log"
    assert Run(forkserver(), Order(str(place.root), str(log)), is_program=False).end(120) == 0
    output = log.read_text()
    assert workspaces.wrong_at_the_end(place, known, output) == []

    shown = "\n".join(line for line in output.splitlines() if not line.startswith("twice.csv"))
    assert workspaces.wrong_at_the_end(place, known, shown) == [
        "never shown: twice.csv: taken in before; nothing changed"
    ]
    page = place.private.resolve() / "index.html"
    whole = page.read_bytes()
    page.write_bytes(whole[:-1])
    assert any("not whole" in words for words in workspaces.wrong_after_kill(place, known))
    page.write_bytes(whole)
    digest = known.dropped["south-2.csv"]
    archived = place.archive / digest[:2] / digest
    archived.rename(tmp_path / "away")
    assert workspaces.lost_files(place, known) == ["south-2.csv is lost"]
    shutil.copyfile(tmp_path / "away", place.inbox / "back.csv")
    assert workspaces.lost_files(place, known) == []
    place.published.unlink()
    assert workspaces.wrong_after_kill(place, known) == ["nothing is published any more"]
