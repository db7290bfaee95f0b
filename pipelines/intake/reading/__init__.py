"""Files of any known kind as text: nothing is inferred, and every row knows its line.

In: a path, and how the file is written where that is known. Out: a ``TextTable`` of text columns with positions, rows
that do not fit the header, and why; numbers and dates in one writing (formats); where a table begins (layout). Raises
UnreadableFileError. May import only what comes before intake; no other room of intake.
"""
