"""Names of files as text and back, names of copies, and what is no plain file."""

import os
import socket
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.plain_files import LONGEST_NAME, name_from_text, name_text, oddity, read_plain, safe_name

NAMES = st.binary(min_size=1, max_size=LONGEST_NAME).map(os.fsdecode)


@given(NAMES)
def test_a_name_as_text_is_printable_and_comes_back(name: str) -> None:
    text = name_text(name)
    assert text.isprintable() and text.encode()
    assert name_from_text(text) == name


@given(NAMES, st.sampled_from(["", ".3f2a9c01"]))
def test_a_copy_has_a_name_that_any_file_system_takes(name: str, mark: str) -> None:
    copy = safe_name(name.replace("/", "_").replace("\0", "_"), mark)
    assert copy.isprintable()
    assert 0 < len(copy.encode()) <= LONGEST_NAME and mark in copy


@pytest.mark.parametrize(
    ("encoded", "text"),
    [(b"prices.csv", "prices.csv"), (b"caf\xe9.csv", r"caf\xe9.csv"), ("März 1.csv".encode(), "März 1.csv"),
     (b"a\n\x1b[31mb.csv", r"a\x0a\x1b[31mb.csv"), (b"a\\b", r"a\\b"), (b"\\xe9", r"\\xe9"),
     ("a\u202eb".encode(), r"a\xe2\x80\xaeb"), ("a\u00a0b".encode(), r"a\xc2\xa0b")],
)  # fmt: skip
def test_how_names_are_written(encoded: bytes, text: str) -> None:
    assert name_text(os.fsdecode(encoded)) == text


@pytest.mark.parametrize(
    ("name", "mark", "copy"),
    [("prices.csv", "", "prices.csv"), ("prices.csv.gz", ".12", "prices.12.csv.gz"), ("prices", ".12", "prices.12"),
     ("n" * 251 + ".csv", ".12345678", "n" * 242 + ".12345678.csv"), ("." + "x" * 254, ".12", "." + "x" * 251 + ".12"),
     (os.fsdecode(b"caf\xe9.csv"), "", "caf_xe9.csv"), ("ä" * 127 + "b", ".1", "ä" * 126 + ".1")],
)  # fmt: skip
def test_names_of_copies(name: str, mark: str, copy: str) -> None:
    assert safe_name(name, mark) == copy


def test_what_is_no_plain_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"1")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("file")
    (tmp_path / "lost").symlink_to("nowhere")
    (tmp_path / "loop").symlink_to("loop")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(os.path.relpath(tmp_path / "socket"))
    words = {
        "folder": "a folder", "pipe": "a named pipe", "lost": "a link that leads nowhere", "loop": "a link that leads nowhere",
        "socket": "a socket", "file": "", "link": "", "gone": "",
    }  # fmt: skip
    for name, expected in words.items():
        assert oddity(tmp_path / name) == expected
        if expected or name == "gone":
            with pytest.raises(OSError, match=expected or "No such file"):
                read_plain(tmp_path / name)
        else:
            assert read_plain(tmp_path / name) == b"1"
    assert oddity(Path("/dev/zero")) == "a device"
