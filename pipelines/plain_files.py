"""Files as the system has them: their names are bytes, and what has a file's name may be no file.

A name is written as text in one way everywhere, in messages, tables, pages and the journal, see :func:`name_text`.
"""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

LONGEST_NAME = 255
"""Most bytes of a name that file systems allow."""

_LONGEST_ENDING = 12
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISCHR, "a device"),
)


def name_text(name: str) -> str:
    r"""A file's name as printable text, which says exactly which bytes the name has.

    Each byte of what is not UTF-8 or can't be printed (control characters, line ends, blanks other than a space) is written as
    ``\xe9``, and a backslash as two. All other letters stay. :func:`name_from_text` is the way back.
    """
    if name.isprintable() and "\\" not in name:
        return name
    return "".join(map(_letter_text, name))


def _letter_text(letter: str) -> str:
    if letter == "\\":
        return r"\\"
    return letter if letter.isprintable() else "".join(f"\\x{byte:02x}" for byte in os.fsencode(letter))


def name_from_text(text: str) -> str:
    """The name that :func:`name_text` has written."""
    parts = re.split(r"(\\\\|\\x[0-9a-f]{2})", text)
    encoded = b"".join(
        b"\\" if part == r"\\" else bytes.fromhex(part[2:]) if number % 2 else os.fsencode(part)
        for number, part in enumerate(parts)
    )
    return os.fsdecode(encoded)


def safe_name(name: str, mark: str = "") -> str:
    """A name under which a copy of a file is kept: the same if it is printable and short enough, else one like it.

    Args:
        name: the file's name as the system has it.
        mark: what to put before its ending, such as ``.3f2a9c01``.
    """
    plain = name if name.isprintable() else name_text(name).replace("\\", "_")
    stem, ending = _split(plain)
    room = LONGEST_NAME - len(os.fsencode(mark + ending))
    return os.fsencode(stem)[:room].decode(errors="ignore") + mark + ending


def _split(name: str) -> tuple[str, str]:
    """A name without its ending, and the ending, such as .csv or .csv.gz."""
    found = re.search(r"(?<=.)(\.[A-Za-z0-9]+){1,2}$", name[-_LONGEST_ENDING:])
    return (name[: len(name) - len(found[0])], found[0]) if found else (name, "")


def oddity(path: Path) -> str:
    """What has a file's place and is no plain file, in words; empty for a plain file, a link to one, or nothing at all."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return "a link that leads nowhere" if path.is_symlink() else ""
    if stat.S_ISREG(mode):
        return ""
    return next((words for is_kind, words in _KINDS if is_kind(mode)), "no plain file")


def read_plain(path: Path) -> bytes:
    """A plain file's bytes; never waits for a writer, as opening a named pipe would.

    Raises:
        OSError: it can't be read, or is no plain file; ``strerror`` says why.
    """
    if words := oddity(path):
        raise OSError(None, f"it is {words}, not a plain file", str(path))
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(handle, "rb") as stream:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(None, "it is no plain file", str(path))
        return stream.read()
