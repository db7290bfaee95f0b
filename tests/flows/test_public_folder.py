"""A refresh of a workspace whose private values are all marked: none is in the public folder; what would leak is not published."""

import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.reporting import public_copy
from pipelines.workspace import Workspace
from tests.builders.workspaces import EXPORT_HEADER, MODEL, make_workspace

MARK = "Kanár"
"""Every private value has it; no other text has."""
LINES = ((7013, "K1", "red", 8417), (7019, "K2", "blue", 8423), (7027, "K3", "red", 8429))


def run(place: Workspace, *arguments: str) -> Any:
    return CliRunner().invoke(app, [*arguments, "--workspace", str(place.root)])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A model with a closed list: parts, their names, decisions, an amendment; prices on two dates, one of them suspect."""
    place = make_workspace(tmp_path_factory.mktemp("canary") / "ws")
    for path in place.inbox.iterdir():
        path.unlink()
    codes = {short: f"{MARK}-{short}" for _, short, _, _ in LINES} | {"K9": f"{MARK}-K9"}
    parts = "".join(f"{code},{MARK} block {short}\n" for short, code in codes.items())
    (place.tables / "parts.csv").write_text(f"part_code,part_name\n{parts}")
    (place.tables / "substitutes.csv").write_text(
        f"part_code,substitute_part_code,reason\n{codes['K1']},{codes['K9']},{MARK} fits\n"
    )
    model = place.models / "hut"
    rows = "".join(f"{line},{codes[short]},{colour},{count},{MARK}section\n" for line, short, colour, count in LINES)
    (model / "parts.csv").write_text(f"line_number,part_code,colour_code,quantity,section_code\n{rows}")
    (model / "flexible_lines.csv").write_text(
        "line_number,colour_rule,decided_by,reason\n"
        # Two lines: what they have together is a total, and no line's quantity.
        f"7013,any,{MARK} person,{MARK} inside\n7027,any,{MARK} person,{MARK} inside\n"
    )
    (model / "amendments.csv").write_text(
        "line_number,amendment_action,part_code,colour_code,quantity,reason\n"
        f"7039,add,{codes['K2']},red,8431,{MARK} bracing\n7013,remove,,,1,{MARK} gate\n"
    )
    for day, level in (("2026-09-28", 1.0), ("2026-10-30", 0.9)):
        offers: list[str] = []
        for vendor, dearer, quantity in (("north", 1.0, 90_000), ("south", 1.13, 70_000)):
            for at, (short, code) in enumerate(codes.items()):
                is_suspect = (short, vendor, day) == ("K3", "south", "2026-10-30")
                price = (
                    f"{0.02 * (at + 1 + at % 2 * (vendor == 'south')) * level * dearer * (30 if is_suspect else 1):.4f}"
                )
                offers += [
                    f"{vendor},{code},{colour},new,{price},EUR,{quantity // (1 + 19 * (short == 'K2')) - at},{day},full\n"
                    for colour in ("red", "blue")
                ]
        (place.inbox / f"{day}.csv").write_text(EXPORT_HEADER + "".join(offers))
    found = run(place, "refresh")
    assert found.exit_code == 0, found.output
    return place


def texts_of(path: Path) -> list[str]:
    """Everything in a file, and its name: an independent reading."""
    if path.suffix == ".parquet":
        frame = pl.read_parquet(path)
        return [path.name, *frame.columns, *(str(value) for row in frame.rows() for value in row)]
    content = path.read_bytes()
    return [
        path.name,
        content.decode("utf-8", "ignore"),
        content.decode("latin-1"),
        content.decode("utf-16-le", "ignore"),
    ]


def test_no_private_value_is_in_the_public_folder(place: Workspace) -> None:
    files = [path for path in place.public.rglob("*") if path.is_file()]
    assert {"index.html", "hut.html", "costs.parquet"} <= {path.name for path in files}
    marks = re.compile(
        "kan(á|Ã¡|&aacute;|&#225;|&#xe1;|%c3%a1|\\\\u00e1)r|70(13|19|27|39)|8[,.\u202f]?4(17|23|29|31)", re.IGNORECASE
    )
    for path in files:
        for text in texts_of(path):
            # Digits within a drawing's coordinates are no line number.
            plain = re.sub(r'\b(d|points|x|y|x1|x2|y1|y2|width|height|transform|viewBox)="[^"]*"', "", text)
            found = [match[0] for match in marks.finditer(plain)]
            assert not found, (path.relative_to(place.public), found[:3])


def test_the_marks_are_where_they_may_be(place: Workspace) -> None:
    """The search above would find them: private pages and tables have them all."""
    details = (place.private / "details/hut.html").read_text(encoding="utf-8")
    assert all(f"{MARK} block {short}" in details for _, short, _, _ in LINES)
    bought = pl.read_parquet(place.private / "tables/plan_purchase.parquet")
    assert bought["part_code"].str.contains(MARK).all()


def test_a_title_that_gives_a_part_away_is_not_published(place: Workspace) -> None:
    before = place.published.readlink()
    model = place.models / "hut" / "model.toml"
    model.write_text(MODEL.replace("A hut", f"A hut with a {MARK} block K3"))
    found = run(place, "refresh")
    assert found.exit_code == 5
    assert "publish_lines" in found.stderr and f"the part name {MARK} block K3" in found.stderr
    assert place.published.readlink() == before
    model.write_text(MODEL)


def test_the_public_pages_are_copied_and_the_copy_is_replaced_whole(place: Workspace, tmp_path: Path) -> None:
    target = tmp_path / "www" / "costs"
    found = run(place, "publish", "--to", str(target))
    assert found.exit_code == 0, found.output
    names = {path.relative_to(place.public) for path in place.public.rglob("*") if path.is_file()}
    assert {path.relative_to(target) for path in target.rglob("*") if path.is_file()} == names | {
        Path(public_copy.MARK)
    }
    assert f"{len(names)} files" in found.stdout
    (target / "old.html").write_text("gone since")
    (target / "index.html").write_text("changed")
    assert run(place, "publish", "--to", str(target)).exit_code == 0
    assert not (target / "old.html").exists()
    assert (target / "index.html").read_bytes() == (place.public / "index.html").read_bytes()
    assert [path.name for path in target.parent.iterdir()] == ["costs"]


def test_the_copy_works_where_two_folders_cannot_be_exchanged(
    place: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "costs"
    for _ in range(2):
        assert run(place, "publish", "--to", str(target)).exit_code == 0
        (target / "old.html").write_text("gone since")
        monkeypatch.setattr(public_copy, "_exchanged", lambda *_: False)
    assert run(place, "publish", "--to", str(target)).exit_code == 0
    assert not (target / "old.html").exists() and [path.name for path in tmp_path.iterdir()] == ["costs"]


def test_a_list_that_was_closed_since_is_not_copied(place: Workspace, tmp_path: Path) -> None:
    """Published while its lines were open; the copy asks what is private now."""
    model = place.models / "hut" / "model.toml"
    model.write_text('publish_lines = "all"\n' + MODEL)
    assert run(place, "refresh").exit_code == 0
    assert f"{MARK} block" in (place.public / "sheets/hut.html").read_text(encoding="utf-8")
    model.write_text(MODEL)
    found = run(place, "publish", "--to", str(tmp_path / "costs"))
    assert found.exit_code == 5 and "hut.html has the part name" in found.stderr and not (tmp_path / "costs").exists()
    assert run(place, "refresh").exit_code == 0


@pytest.mark.parametrize(
    "kind", ["own files", "a file", "the workspace", "above the workspace", "inside the workspace"]
)
def test_a_folder_of_others_is_left_alone(place: Workspace, tmp_path: Path, kind: str) -> None:
    mine = tmp_path / "mine"
    target = {
        "own files": mine,
        "a file": mine / "thesis.txt",
        "the workspace": place.root,
        "above the workspace": place.root.parent,
        "inside the workspace": place.root / "inbox" / "www",
    }[kind]
    mine.mkdir()
    (mine / "thesis.txt").write_text("years of work")
    found = run(place, "publish", "--to", str(target))
    assert found.exit_code == 2, found.output
    assert (mine / "thesis.txt").read_text() == "years of work" and (place.root / "kitfare.toml").is_file()


def test_nothing_published_yet(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "ws")
    found = run(place, "publish", "--to", str(tmp_path / "costs"))
    assert found.exit_code == 2 and "kitfare refresh" in found.stderr
