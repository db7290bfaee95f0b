"""The only place that opens DuckDB: connections, price history, the market on a date, generations.

In: taken files, the user's decisions about files, and the tables to publish. Out: the price history, the market on a
date and the latest prices as frames, answers to SQL, checked and published generations. Its SQL is in ``sql/``, one
intent per file. In the order in which a price passes them: connect (opens the warehouse), load, repeats and messages (a file's rows),
history and append (the fold), screening (suspect prices: what trends/prices/suspects needs, and what it found), market (a date's
prices), tables and generation (the published tables), checks, partitions (the history by month), table_files and query (readers). May
import schemas, money, errors, settings, inputs, resources, workers.
"""
