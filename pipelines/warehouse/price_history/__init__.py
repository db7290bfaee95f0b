"""The price history: rows loaded, folded into price periods, and read as the market of a date.

In: taken files, decisions about files, suspect prices. Out: price periods and the tables of intake. In the order in which a price
passes them: load, repeats (a file's rows) and messages (what became of the file), plausibility (what is found about an export), append and
history (the fold), screening (suspect prices), market (a date's prices), tables (for publishing), file_dates (what records of nights
depend on). May import connect.
"""
