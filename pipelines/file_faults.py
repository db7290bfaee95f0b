"""Which errors are the fault of one file, and how they are put in words.

A file that can't be used must not stop the work on all others. What has nothing to do with the file must stop it: an interrupt, a
full disk, a database in use.
"""

from __future__ import annotations

import re
import traceback
from pathlib import Path

from pipelines.errors import InputError, KitfareError, UnreadableFileError

_OF_THE_SYSTEM = (
    "No space left", "File too large", "Read-only file system", "quota exceeded", "Input/output error", "KeyboardInterrupt",
    "Query interrupted",
)  # fmt: skip
_OF_THE_DATABASE = {"IOException", "InterruptException", "ConnectionException", "TransactionException", "HTTPException"}
_LONGEST_REASON = 300
_LONGEST_TEXT = 2000


def fault_of_file(error: BaseException, file_name: str) -> InputError | None:
    """The error by which a file is quarantined whole; None where the error is not the file's, and must be raised.

    Args:
        error: whatever came out of reading, checking or loading the file. What nobody foresaw is called a fault of kitfare.
        file_name: the file's name as text.
    """
    if isinstance(error, InputError):
        return _storable(error)
    if isinstance(error, MemoryError) or type(error).__name__ == "OutOfMemoryException":
        return None if _is_of_the_system(error) else UnreadableFileError(
            "reading it takes more memory than there is",
            where=file_name,
            state="the file is quarantined whole",
            next_step="split it into several files, or free memory",
        )  # fmt: skip
    if isinstance(error, KitfareError) or _is_of_the_system(error):
        return None
    reason = re.sub(r"0x[0-9a-f]{6,}", "0x...", (str(error).splitlines() or [""])[0])[:_LONGEST_REASON]
    what = f"kitfare met a fault of its own in this file: {type(error).__name__}: {reason}"
    return _storable(
        UnreadableFileError(
            what,
            where=f"{file_name}{_place_in_program(error)}",
            state="the file is quarantined whole; other files are not affected",
            next_step="report this message with a file of this kind; until then, try to export the file in another way",
        )
    )


def ended_the_process(file_name: str) -> InputError:
    """The error of a file that ends the process which reads it."""
    return UnreadableFileError(
        "reading it ends the process that reads it: its memory runs out, or a library crashes",
        where=file_name,
        state="the file is quarantined whole; other files are not affected",
        next_step="report this with a file of this kind; until then, split the file or export it as CSV",
    )


def _is_of_the_system(error: BaseException) -> bool:
    # A panic inside Polars is no Exception; all else that is none asks the process to end.
    if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
        return True
    if isinstance(error, TimeoutError) or (isinstance(error, OSError) and error.errno is not None):
        return True
    if type(error).__module__.strip("_").startswith("duckdb") and type(error).__name__ in _OF_THE_DATABASE:
        return True
    if any(words in str(error) for words in _OF_THE_SYSTEM):
        return True
    before = error.__context__
    while before is not None and not isinstance(before, KeyboardInterrupt):
        before = before.__context__
    return before is not None


def _place_in_program(error: BaseException) -> str:
    """The last place in this program that the error came through."""
    ours = [
        frame
        for frame in traceback.extract_tb(error.__traceback__)
        if {"pipelines", "schemas"} & set(Path(frame.filename).parts)
    ]
    return f", {Path(ours[-1].filename).name} line {ours[-1].lineno}" if ours else ""


def _storable(error: InputError) -> InputError:
    """The error in texts that any file and database takes, short enough to be read: a file may have halves of characters and endless names."""
    texts = (error.what, error.where, error.next_step, error.state)
    what, where, next_step, state = (_shortened(text.encode(errors="backslashreplace").decode()) for text in texts)
    if (what, where, next_step, state) == texts:
        return error
    return type(error)(what, where=where, next_step=next_step, state=state)


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]} ..."
