"""Files of any known kind as text: nothing is inferred, and every row knows its line.

In: a path, and how the file is written where that is known. Out: a ``TextTable`` (readers): text columns with
positions, and the rows that do not fit the header, with the reason; numbers and dates in our format (formats). Raises
UnreadableFileError. Imports no other room of intake.
"""
