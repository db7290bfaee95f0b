"""Full disks, limits on the size of files, a read-only archive, and damage to the archive, its journal or the warehouse."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipelines.errors import KitfareError
from pipelines.flows.rebuild import rebuild
from pipelines.flows.verify import verify
from pipelines.intake.archiving import journal
from pipelines.workspace import Workspace
from tests.attacks import workspaces
from tests.attacks.killed_refresh import Order
from tests.attacks.kills import small_world
from tests.attacks.results import Attack, Result
from tests.attacks.runs import LONGEST_RUN, Run
from tests.attacks.work import Ground, folder_of, numbered
from tests.attacks.workspaces import Known
from tests.builders.faulty_workspaces import copied
from tests.builders.programs.fault_work import refresh_in

DISKS = Attack(
    "disks", "A disk that is full or read-only ends a refresh in words; the last good results stay, and the next refresh makes up for it, "
    "or names `kitfare rebuild`, which does.",
    "Writing fails after so many bytes of a file, or from one sync on, or the archive takes no file", "faults", "DISK_FAULTS", 100,
)  # fmt: skip
DAMAGE = Attack(
    "damage", "Damage to what is kept is noticed, named, and corrected by what the message says to do; nothing near empty is published.",
    "A byte of an archived file changed, a page of its journal lost, the warehouse lost before new files come", "damages", "DAMAGES", 60,
)  # fmt: skip

_MOST = {"file size": 1_000_000, "disk full": 150, "read-only archive": 1}
_CORRUPT = "Corrupt database file"
"""What DuckDB says where a write into the file was cut in two: it changes some blocks in place."""

_WORDS = ("No space left", "File too large", "Read-only file system")


def full_disk(ground: Ground, number: int, left: int) -> Result:
    """Faults until one does not stop the refresh, or one refresh without any."""
    known = ground.once("small", lambda: small_world(ground.folder, ground.processes))
    rng, folder = random.Random(numbered(ground.seed, number)), folder_of(ground, number)
    place = Workspace(copied(known.template, folder / "space"))
    figures: dict[str, int] = {}
    broken: list[str] = []
    for _ in range(min(left, 4)):
        fault = rng.choice(sorted(_MOST))
        said = _refresh_with(ground.processes, place, fault, rng.randrange(_MOST[fault]))
        if said[0] == "done":
            break
        figures[fault] = figures.get(fault, 0) + 1
        if said[0] == "error" and _CORRUPT in said[-1]:  # by the fault before, which cut a write in two
            break
        if said[0] != "error" or not any(words in said[-1] for words in _WORDS):
            broken.append(f"{fault}: not said in words: {said}")
        broken += workspaces.wrong_after_kill(place, known)
    rest = _ends_well(ground.processes, place, known, folder)
    if rest and _CORRUPT in rest[0] and "kitfare rebuild" in rest[0]:
        figures["of these with a damaged warehouse, made anew by `kitfare rebuild`"] = 1
        rebuild(place, replace=True)
        rest = _ends_well(ground.processes, place, known, folder)
    return _result(number, figures, broken + rest, folder)


def _refresh_with(processes: Any, place: Workspace, fault: str, argument: int) -> tuple[Any, ...]:
    """Its last word: ("done", published) or ("error", kind, words)."""
    ours, theirs = processes.Pipe()
    process = processes.Process(target=refresh_in, args=(str(place.root), theirs, fault, argument))
    process.start()
    theirs.close()
    said: tuple[Any, ...] = ("nothing",)
    while ours.poll(LONGEST_RUN):
        try:
            said = ours.recv()
        except EOFError:
            break
    process.join(LONGEST_RUN)
    return said


def _ends_well(processes: Any, place: Workspace, known: Known, folder: Path) -> list[str]:
    log = folder / "log"
    run = Run(processes, Order(str(place.root), str(log)), is_program=False)
    code = run.end(LONGEST_RUN)
    output = log.read_text()
    if code != 0:
        return [f"the next refresh failed ({code}): {output.splitlines()[-4:]}"]
    return workspaces.wrong_at_the_end(place, known, output)


def damage(ground: Ground, number: int, left: int) -> Result:
    """One damage to a workspace, what is said of it, and what correcting it gives."""
    known = ground.once("small", lambda: small_world(ground.folder, ground.processes))
    rng, folder = random.Random(numbered(ground.seed, number)), folder_of(ground, number)
    place = Workspace(copied(known.template, folder / "space"))
    kinds: list[tuple[str, Callable[..., list[str]]]] = [
        ("damaged archived files", _archived_file_damaged),
        ("lost pages of the journal", _page_lost),
        ("lost warehouses", _warehouse_lost),
    ]
    name, attack = kinds[number % len(kinds)]
    return _result(number, {name: 1}, attack(place, known, rng, ground.processes, folder), folder)


def _archived_file_damaged(
    place: Workspace, known: Known, rng: random.Random, processes: Any, folder: Path
) -> list[str]:
    wrong = _ends_well(processes, place, known, folder)
    name, digest = rng.choice(sorted(known.dropped.items()))
    path = place.archive / digest[:2] / digest
    content = path.read_bytes()
    damaged = bytearray(content)
    damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
    path.chmod(0o644)
    path.write_bytes(damaged)
    found = verify(place).faults
    if not any("is damaged" in fault.what and digest in fault.where for fault in found):
        wrong.append(f"the damage of {name} was not found")
    (place.inbox / name).write_bytes(content)
    return wrong + _ends_well(processes, place, known, folder)


def _page_lost(place: Workspace, known: Known, rng: random.Random, processes: Any, folder: Path) -> list[str]:
    wrong = _ends_well(processes, place, known, folder)
    pages = journal.pages(place.archive)
    page = rng.choice([*pages[:-1], *[pages[-1]] * len(pages)])
    content = page.read_bytes()
    page.unlink()
    if not any("journal" in fault.what for fault in verify(place).faults):
        wrong.append(f"the loss of page {pages.index(page) + 1} of {len(pages)} was not found")
    if page == pages[-1]:
        # The warehouse has what it says, and the next refresh writes that down again.
        wrong += _ends_well(processes, place, known, folder)
        differences = rebuild(place, replace=False).differences
        return [*wrong, f"without the newest page a rebuild differs: {differences}"] if differences != [] else wrong
    before = place.warehouse.read_bytes()
    try:
        rebuild(place, replace=True)
        wrong.append(f"a rebuild without page {pages.index(page) + 1} of {len(pages)} was believed")
    except KitfareError:
        if place.warehouse.read_bytes() != before:
            wrong.append("a rebuild that failed changed the warehouse")
    page.write_bytes(content)
    return wrong + _ends_well(processes, place, known, folder)


def _warehouse_lost(place: Workspace, known: Known, rng: random.Random, processes: Any, folder: Path) -> list[str]:
    """The files dropped since are still in the inbox: a refresh must refuse them, not publish them alone."""
    if rng.random() < 0.5:
        place.warehouse.unlink()
    else:
        place.warehouse.write_bytes(b"")
    wrong = []
    log = folder / "refused.log"
    code = Run(processes, Order(str(place.root), str(log)), is_program=False).end(LONGEST_RUN)
    if code == 0 or "kitfare rebuild" not in log.read_text():
        wrong.append(f"a refresh without the warehouse ended with {code}: {log.read_text().splitlines()[-3:]}")
    wrong += workspaces.wrong_after_kill(place, known)
    rebuild(place, replace=True)
    return wrong + _ends_well(processes, place, known, folder)


def _result(number: int, figures: dict[str, int], broken: list[str], folder: Path) -> Result:
    if not broken:
        shutil.rmtree(folder)
    return Result(
        number, sum(figures.values()), figures, [f"part {number}: {words}" for words in dict.fromkeys(broken)]
    )
