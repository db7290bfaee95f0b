"""Says whether what may be uploaded names parts of a list that its model does not publish.

The pages are made to name no such part; this looks at what was written, whatever wrote it.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import html
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

import polars as pl

from pipelines.errors import CheckFailedError
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.reporting.basis.page_tables import file_name

SHOWN_LEAKS = 3
MAKERS_SHOP = "the maker's shop"
"""What pages call the maker's shop, whatever its name."""
VENDORS_KEPT = 'publish_vendors = "lettered"'
"""Whose value a vendor's name is, where it is private."""
_YEARS = range(1990, 2101)
_LEAST_DIGITS = 4
"""A code of fewer digits and nothing else could be any count; pages write larger counts with a comma."""
_OF_COLOUR = ", "
"""Between a part and its colour where a page names an element."""
_WORD = re.compile(r"\w")
_LINE_NUMBER = re.compile(r"[(>|]\s*line (\d+)\b", re.IGNORECASE)
_ESCAPED = re.compile(r"\\u([0-9a-fA-F]{4})")
_BASE64 = re.compile(rb"[A-Za-z0-9+/]{16,}={0,2}")
_BASE64_ALIGNMENTS = 4


@dataclass(frozen=True)
class Private:
    """A value that no public file may have: its kind in words, and the title of a model whose list has it."""

    value: str
    kind: str
    title: str


@dataclass(frozen=True)
class Leak:
    """A private value in a public file."""

    path: Path
    private: Private


def private_values(inputs: WorkspaceInputs) -> list[Private]:
    """What no public file may name: codes and names of parts that only models with ``publish_lines = "none"`` use.

    A name of one word stands for itself only together with its colour, because the pages' own sentences may use the word.
    Left out is what pages name anyway: codes of models, vendors, colours, buyers and ways of buying, families of parts, and
    ``report.public_words`` of the settings.
    """
    parts, colours = inputs.tables["parts"], inputs.tables["colours"]
    names = {code: name for code, name in parts.select("part_code", "part_name").iter_rows() if name}
    colour_names = {code: name for code, name in colours.select("colour_code", "colour_name").iter_rows() if name}
    shown = {part for model in inputs.models if not _is_closed(model) for part, _ in _elements(model)}
    harmless = _public_words(inputs) | {names[part].casefold() for part in shown if part in names}
    found: dict[str, Private] = {}
    for model in filter(_is_closed, inputs.models):
        for part, colour in _elements(model):
            if part in shown:
                continue
            name = names.get(part, "")
            values = [(part, "the part code")]
            if len(name.split()) > 1:
                values.append((name, "the part name"))
            elif name:
                values.append((f"{name}{_OF_COLOUR}{colour_names.get(colour, colour)}", "the element"))
            for value, kind in values:
                folded = value.casefold()
                if folded not in harmless and not _is_too_plain(value):
                    found.setdefault(folded, Private(value, kind, model.settings.title))
    return [*found.values(), *_private_vendors(inputs)]


def _private_vendors(inputs: WorkspaceInputs) -> list[Private]:
    """Names and codes of vendors where public pages call them by letters; not those that titles use as words of their own."""
    if inputs.settings.report.publish_vendors == "named":
        return []
    settings = inputs.settings
    own_words = [
        *settings.report.public_words,
        *(scenario.title for scenario in settings.scenarios),
        *(buyer.title for buyer in settings.buyer),
        *(model.settings.title for model in inputs.models),
        MAKERS_SHOP,
    ]
    said = " | ".join(own_words).casefold()
    return [
        Private(value, kind, title=VENDORS_KEPT)
        for code, name in inputs.tables["vendors"]
        .select("vendor_code", "vendor_name")
        .unique()
        .sort(pl.all())
        .iter_rows()
        for value, kind in ((name, "the vendor name"), (code, "the vendor code"))
        if value and not _is_too_plain(value) and not _stands_in(value.casefold(), said, ())
    ]


def _is_closed(model: Model) -> bool:
    return model.settings.publish_lines == "none"


def _elements(model: Model) -> Iterator[tuple[str, str]]:
    """Part and colour of every line of every version, with what the user's amendments add."""
    for table in (model.parts_list, model.amendments):
        if {"part_code", "colour_code"} <= set(table.columns):
            # An amendment that removes pieces names no part.
            named = (
                table.select("part_code", "colour_code")
                .drop_nulls()
                .filter(pl.col("part_code").str.strip_chars() != "")
            )
            yield from named.unique().sort(pl.all()).iter_rows()


def _is_too_plain(code: str) -> bool:
    """Whether a code is a number that counts, years and amounts look like."""
    return code.isdigit() and (len(code) < _LEAST_DIGITS or int(code) in _YEARS)


def _public_words(inputs: WorkspaceInputs) -> set[str]:
    settings, tables = inputs.settings, inputs.tables
    words = [
        *settings.report.public_words,
        *(word for model in inputs.models for word in (model.model_code, model.settings.title)),
        *(word for buyer in settings.buyer for word in (buyer.buyer_code, buyer.title)),
    ]
    for table, columns in (
        ("vendors", ("vendor_code", "vendor_name") if settings.report.publish_vendors == "named" else ()),
        ("colours", ("colour_code", "colour_name", "colour_family")),
        ("parts", ("part_family",)),
    ):
        for column in set(columns) & set(tables[table].columns):
            words += tables[table][column].drop_nulls().to_list()
    return {str(word).casefold() for word in words}


def check_public(folder: Path, inputs: WorkspaceInputs) -> None:
    """Look at every file below ``folder``.

    Raises:
        CheckFailedError: a file has a private value; files and values are named.
    """
    found = list(leaks(folder, inputs))
    if not found:
        return
    shown = [
        f"{leak.path.relative_to(folder)} has {leak.private.kind} {leak.private.value} of {leak.private.title}"
        for leak in found[:SHOWN_LEAKS]
    ]
    more = f"; and {len(found) - SHOWN_LEAKS} more" if len(found) > SHOWN_LEAKS else ""
    raise CheckFailedError(
        f"public pages name what publish_lines or publish_vendors keeps private: {'; '.join(shown)}{more}",
        where=str(folder),
        state="nothing was published",
        next_step="open the model's list (publish_lines), name vendors (publish_vendors), reword what has it, or add it to report.public_words",
    )


def leaks(folder: Path, inputs: WorkspaceInputs) -> Iterator[Leak]:
    """Private values in public files and their names, each file and value once.

    Text is read as UTF-8, UTF-16, HTML, JSON, percent and base64 encoding; Parquet, ZIP, gzip and the text of pictures are opened.
    """
    private = private_values(inputs)
    longer = _longer_names(private, inputs)
    closed = {file_name(model.model_code): model for model in inputs.models if _is_closed(model)}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        name = path.relative_to(folder).as_posix()
        try:
            texts = [*_texts(path.read_bytes(), path.name), name, unquote(name)]
        except (OSError, EOFError, zipfile.BadZipFile, zlib.error, pl.exceptions.PolarsError) as error:
            raise CheckFailedError(
                f"public pages can't be looked through: {name} can't be opened ({error})",
                where=str(path),
                state="nothing was published",
                next_step="run `kitfare refresh` again; if it happens again, the disk may be at fault",
            ) from None
        for found in _found(private, longer, texts):
            yield Leak(path, found)
        model = closed.get(path.name.split(".")[0])
        if model is not None:
            yield from (Leak(path, found) for found in _line_numbers(model, texts))


def _line_numbers(model: Model, texts: Iterable[str]) -> Iterator[Private]:
    """Lines that a closed model's own page calls by their number."""
    own = set(model.parts_list["line_number"].to_list())
    named = {int(number) for text in texts for number in _LINE_NUMBER.findall(text)}
    yield from (Private(str(number), "the line number", model.settings.title) for number in sorted(named & own))


def _longer_names(private: list[Private], inputs: WorkspaceInputs) -> dict[str, list[str]]:
    """For each private value the names of other parts that have it inside: "plate 1 x 2" is in "plate 1 x 2, rail"."""
    values = {each.value.casefold() for each in private}
    names = {str(name).casefold() for name in inputs.tables["parts"]["part_name"].drop_nulls()} - values
    return {value: [name for name in names if value.partition(_OF_COLOUR)[0] in name] for value in values}


def _found(private: list[Private], longer: dict[str, list[str]], texts: list[str]) -> Iterator[Private]:
    """Which values stand in the texts as words of their own, and not only within the name of another part."""
    if not private:
        return
    by_value = {each.value.casefold(): each for each in private}
    folded = [text.casefold() for text in texts]
    # Aho-Corasick: all values in one pass over a text.
    search = pl.col("text").str.extract_many(sorted(by_value), overlapping=True)
    seen = set(pl.DataFrame({"text": folded}).select(search.explode().drop_nulls().unique())["text"])
    for value in sorted(seen):
        if any(_stands_in(value, text, longer[value]) for text in folded):
            yield by_value[value]


def _stands_in(value: str, text: str, longer: Iterable[str]) -> bool:
    """Whether a value is in a text with no letter or digit beside it; one of digits alone must be a whole cell."""
    for name in longer:
        text = text.replace(name, "")
    ends = "<>\n\t,;\"'|" if value.isdigit() else None
    at = text.find(value)
    while at >= 0:
        before, after = text[at - 1 : at] if at else "", text[at + len(value) : at + len(value) + 1]
        if ends is None:
            if not (_WORD.match(before) or _WORD.match(after)):
                return True
        elif (not before or before in ends) and (not after or after in ends) and not (before == after == ","):
            return True
        at = text.find(value, at + 1)
    return False


def _texts(content: bytes, name: str) -> Iterator[str]:
    """A file's text in every encoding that could hide a value; of packed files, the text of what is in them."""
    if name.endswith(".parquet"):
        frame = pl.read_parquet(io.BytesIO(content))
        yield "\n".join(frame.columns)
        for column in frame.select(pl.col(pl.String)).iter_columns():
            yield "\n".join(column.drop_nulls().unique().sort())
        return
    if content.startswith(b"\x89PNG"):
        yield from _picture_texts(content)
        return
    if content.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            for member in packed.namelist():
                yield member
                yield from _texts(packed.read(member), member)
        return
    if content.startswith(b"\x1f\x8b"):
        yield from _texts(gzip.decompress(content), name.removesuffix(".gz"))
        return
    text = content.decode("utf-8", errors="replace")
    yield text
    readings = (
        html.unescape(text),
        unquote(text),
        _ESCAPED.sub(lambda match: chr(int(match[1], 16)), text),
        text.replace("\\", ""),
    )
    yield from (reading for reading in readings if reading != text)
    if b"\0" in content:
        yield from (content.decode(encoding, errors="replace") for encoding in ("utf-16-le", "utf-16-be"))
    yield from _decoded(content)


def _decoded(content: bytes) -> Iterator[str]:
    """What stretches of base64 stand for, from each of the places at which one may begin."""
    for run in _BASE64.findall(content):
        for start in range(_BASE64_ALIGNMENTS):
            part = run[start:]
            part = part[: len(part) // 4 * 4]
            try:
                yield base64.b64decode(part, validate=True).decode("utf-8", errors="replace")
            except (binascii.Error, ValueError):
                continue


def _picture_texts(content: bytes) -> Iterator[str]:
    """The text chunks of a PNG file (Portable Network Graphics Specification, third edition, W3C, 11.3.3)."""
    at = 8
    while at + 8 <= len(content):
        length, kind = int.from_bytes(content[at : at + 4], "big"), content[at + 4 : at + 8]
        data = content[at + 8 : at + 8 + length]
        if kind == b"tEXt":
            yield data.decode("latin-1")
        elif kind in (b"zTXt", b"iTXt"):
            yield data.decode("utf-8", errors="replace")
            _, _, packed = data.partition(b"\0")
            for start in range(min(len(packed), 8)):
                try:
                    yield zlib.decompress(packed[start:]).decode("utf-8", errors="replace")
                except zlib.error:
                    continue
        at += length + 12
