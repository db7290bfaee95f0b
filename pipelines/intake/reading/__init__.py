"""Files of any known kind as text: nothing is inferred, and every row knows its line.

In: a path, and how the file is written where that is known. Out: a ``TextTable``: text columns with positions, and the rows
that do not fit the header, with the reason. readers chooses by the file's bytes: text_files and text_grids for CSV and JSON lines,
binary_files and spreadsheet_rows for spreadsheets and Parquet; tabular gathers rows into frames. formats: numbers and dates in our
format, once a profile says how they are written. Raises UnreadableFileError. Imports no other room of intake.
"""
