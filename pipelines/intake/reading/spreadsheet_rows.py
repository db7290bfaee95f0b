"""Rows of a spreadsheet as text. Runs as a process of its own, because a hostile sheet can ask for all memory there is.

A sheet with one cell in its first and one in its last corner makes the reading library reserve 500 GB and abort; here that
ends this process only. Reads the file's bytes from standard input and writes JSON lines: the sheet names, then each row.
"""

from __future__ import annotations

import datetime
import io
import json
import sys
from decimal import Decimal
from typing import Any

MAXIMUM_CELLS = 100_000_000
MAXIMUM_MEMORY_BYTES = 6 << 30


def cell_text(value: Any) -> str:
    """A cell as text: whole numbers without a point, others with the 15 digits a spreadsheet keeps; ISO dates."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, datetime.datetime):
        is_date = value.time() == datetime.time()
        return value.date().isoformat() if is_date else value.isoformat()
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return str(value)


def number_text(value: float) -> str:
    """5.0 as 5, 0.30000000000000004 as 0.3, never with an exponent; nan and infinities as they are called."""
    shown = f"{value:.15g}"
    return f"{Decimal(shown):f}" if "e" in shown else shown


def main(sheet_name: str) -> None:
    """Write the named sheet, or the first visible one, to standard output."""
    _limit_memory()
    from python_calamine import CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

    book = CalamineWorkbook.from_filelike(io.BytesIO(sys.stdin.buffer.read()))
    usable = [s for s in book.sheets_metadata if s.typ == SheetTypeEnum.WorkSheet]
    shown = [s.name for s in usable if s.visible == SheetVisibleEnum.Visible] or [s.name for s in usable]
    names = [s.name for s in usable]
    print(json.dumps(names))
    chosen = sheet_name or (shown[0] if shown else "")
    if chosen not in names:
        return
    sheet = book.get_sheet_by_name(chosen)
    if (sheet.end or (0, 0))[0] * (sheet.end or (0, 0))[1] > MAXIMUM_CELLS:
        raise MemoryError
    for row in sheet.to_python(skip_empty_area=False):
        print(json.dumps([cell_text(value) for value in row]))


def _limit_memory() -> None:
    import resource

    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = MAXIMUM_MEMORY_BYTES if hard == resource.RLIM_INFINITY else min(hard, MAXIMUM_MEMORY_BYTES)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


if __name__ == "__main__":
    main(sys.argv[1])
