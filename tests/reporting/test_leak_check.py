"""What may be uploaded names nothing of a private list; every way to hide a leak in a file is found, and nothing else."""

import base64
import gzip
import html
import io
import json
import shutil
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import polars as pl
import pytest

from pipelines.errors import CheckFailedError
from pipelines.reporting.leak_check import Private, check_public, leaks, private_values
from tests.builders.published.sample_scene import Night

CODE, NAME = "Zß-7713x", "Möwe hinge, left"


@pytest.fixture(scope="module")
def inputs(night: Night) -> Any:
    """The sample's inputs; a closed model has one more part, and the part has a name."""
    given = night[1]
    closed = next(model for model in given.models if model.settings.publish_lines == "none")
    line = closed.parts_list.head(1).with_columns(
        part_code=pl.lit(CODE), line_number=pl.lit(7013).cast(closed.parts_list.schema["line_number"])
    )
    models = tuple(
        replace(model, parts_list=pl.concat([model.parts_list, line])) if model is closed else model
        for model in given.models
    )
    parts = given.tables["parts"]
    part = parts.head(1).with_columns(part_code=pl.lit(CODE), part_name=pl.lit(NAME))
    return replace(given, models=models, tables={**given.tables, "parts": pl.concat([parts, part])})


def test_the_sample_has_private_parts_and_its_public_pages_name_none(folder: Path, inputs: Any) -> None:
    values = private_values(inputs)
    assert {CODE, NAME} <= {each.value for each in values}
    assert list(leaks(folder / "public", inputs)) == []
    check_public(folder / "public", inputs)


def test_private_pages_would_be_refused(folder: Path, inputs: Any) -> None:
    """The same search finds the parts where they are: it looks for what the pages would show."""
    found = {leak.path.name for leak in leaks(folder / "private", inputs)}
    assert "m00.html" in found


def _zipped(text: str) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("sheet1.xml", f"<t>{text}</t>")
    return stream.getvalue()


def _parquet(text: str) -> bytes:
    stream = io.BytesIO()
    pl.DataFrame({"words": ["other", text]}).write_parquet(stream, compression="zstd")
    return stream.getvalue()


def _picture(text: str) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return len(data).to_bytes(4, "big") + kind + data + zlib.crc32(kind + data).to_bytes(4, "big")

    packed = b"Comment\0\0\0\0\0" + text.encode()
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", b"\0" * 13) + chunk(b"iTXt", packed) + chunk(b"IEND", b"")


def _encoded(before: str, text: str) -> bytes:
    return b"data:," + base64.b64encode(f"{before} {text} -----".encode())


HIDDEN: dict[str, Callable[[str], bytes]] = {
    "page.html": lambda text: f"<td>{text}</td>".encode(),
    "attribute.svg": lambda text: f'<text aria-label="{text}: 4"/>'.encode(),
    "entities.html": lambda text: "".join(f"&#{ord(character)};" for character in text).encode(),
    "named.html": lambda text: html.escape(text).replace("ö", "&ouml;").replace("ß", "&szlig;").encode(),
    "data.json": lambda text: json.dumps({"part": text}).encode(),
    "link.html": lambda text: f'<a href="parts/{quote(text)}.html">'.encode(),
    "table.csv": lambda text: f'model,part\nx,"{text}"\n'.encode(),
    "escaped.md": lambda text: text.replace("-", "\\-").replace(",", "\\,").encode(),
    "capitals.md": lambda text: f"| {text.upper()} |".encode(),
    "wide.txt": lambda text: f"{text} ".encode("utf-16"),
    "packed.csv.gz": lambda text: gzip.compress(f"{text}\n".encode()),
    "book.xlsx": _zipped,
    "figures.parquet": _parquet,
    "picture.png": _picture,
    "base64_0.html": partial(_encoded, "x"),
    "base64_1.html": partial(_encoded, "xx"),
    "base64_2.html": partial(_encoded, "xxx"),
}  # fmt: skip


@pytest.mark.parametrize("value", [CODE, NAME])
@pytest.mark.parametrize("name", HIDDEN)
def test_a_planted_leak_is_refused_with_file_and_value(name: str, value: str, inputs: Any, tmp_path: Path) -> None:
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / name).write_bytes(HIDDEN[name](value))
    with pytest.raises(CheckFailedError) as refused:
        check_public(tmp_path, inputs)
    assert f"sheets/{name}" in str(refused.value) and value in str(refused.value)
    (tmp_path / "sheets" / name).write_bytes(HIDDEN[name]("Zß-7713xy and Möwe hinge, leftover"))
    check_public(tmp_path, inputs)


def test_a_leak_in_a_file_name_or_by_a_line_number(inputs: Any, tmp_path: Path) -> None:
    (tmp_path / f"{CODE}.html").write_text("nothing")
    (found,) = leaks(tmp_path, inputs)
    assert found.private.value == CODE
    (tmp_path / f"{CODE}.html").unlink()
    closed = next(model for model in inputs.models if model.settings.publish_lines == "none")
    (tmp_path / f"{closed.model_code}.html").write_text("<li>brick (line 7013): 4 pieces</li>")
    (tmp_path / "other.html").write_text("<li>brick (line 7013): 4 pieces</li>")  # no page about that model
    (found,) = leaks(tmp_path, inputs)
    assert (found.path.name, found.private.kind, found.private.value) == (
        f"{closed.model_code}.html",
        "the line number",
        "7013",
    )


def test_codes_that_are_numbers_count_only_as_whole_cells(inputs: Any, tmp_path: Path) -> None:
    closed = next(model for model in inputs.models if model.settings.publish_lines == "none")
    codes = ["48291", "2026", "310"]
    listed = closed.parts_list.head(3).with_columns(part_code=pl.Series(codes))
    changed = replace(
        inputs,
        models=tuple(replace(model, parts_list=listed) if model is closed else model for model in inputs.models),
    )
    values = {each.value for each in private_values(changed)}
    assert "48291" in values and not {"2026", "310"} & values  # a year, and what any count may be
    page = tmp_path / "page.html"
    page.write_text('<path d="M48291 2V1.48291"/><td>48,291</td><td>48291.5</td> 48291 pieces')
    check_public(tmp_path, changed)
    page.write_text("<td>48291</td>")
    with pytest.raises(CheckFailedError, match="48291"):
        check_public(tmp_path, changed)


def test_a_name_within_the_longer_name_of_another_part_is_no_leak(inputs: Any, tmp_path: Path) -> None:
    parts = inputs.tables["parts"]
    other = parts.head(1).with_columns(part_code=pl.lit("other"), part_name=pl.lit(f"wide {NAME}, long"))
    changed = replace(inputs, tables={**inputs.tables, "parts": pl.concat([parts, other])})
    page = tmp_path / "page.html"
    page.write_text(f"<td>wide {NAME}, long, Red</td>")
    check_public(tmp_path, changed)
    page.write_text(f"<td>wide {NAME}, long, Red</td><td>{NAME}, Red</td>")
    with pytest.raises(CheckFailedError, match=NAME):
        check_public(tmp_path, changed)


def test_what_an_open_model_shows_or_the_settings_allow_is_no_leak(inputs: Any, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text(f"<td>{CODE}</td><td>{NAME}</td>")
    opened = replace(
        inputs,
        models=tuple(
            replace(model, settings=model.settings.model_copy(update={"publish_lines": "some"}))
            for model in inputs.models
        ),
    )
    assert private_values(opened) == []
    check_public(tmp_path, opened)
    report = inputs.settings.report.model_copy(update={"public_words": [CODE.upper(), NAME]})
    allowed = replace(inputs, settings=inputs.settings.model_copy(update={"report": report}))
    check_public(tmp_path, allowed)
    assert not {CODE, NAME} & {each.value for each in private_values(allowed)}


def test_a_damaged_packed_file_is_no_way_round(inputs: Any, tmp_path: Path) -> None:
    """What can't be opened can't be looked through, so it is not published."""
    for name, content in {"cut.parquet": _parquet(CODE)[:-9], "cut.xlsx": _zipped(CODE)[:-9]}.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(CheckFailedError, match=name):
            check_public(tmp_path, inputs)
        (tmp_path / name).unlink()


def test_a_value_says_whose_it_is(inputs: Any) -> None:
    closed = next(model for model in inputs.models if model.settings.publish_lines == "none")
    assert Private(CODE, "the part code", closed.settings.title) in private_values(inputs)


def test_the_search_is_quick(folder: Path, inputs: Any, tmp_path: Path) -> None:
    """Many values cost one pass: a page with thousands of near misses is searched once per value that is in it."""
    shutil.copytree(folder / "public", tmp_path / "public")
    (tmp_path / "public/near.html").write_text(f"{CODE}y " * 50_000)
    assert list(leaks(tmp_path / "public", inputs)) == []
