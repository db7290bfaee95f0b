"""The only place that opens DuckDB: connections, price history, the market on a date, generations.

In: taken files, the user's decisions about files, and the tables to publish. Out: the price history, the market on a
date and the latest prices as frames, answers to SQL, checked and published generations. Its SQL is in ``sql/``, one
intent per file. Inside: connect < price_history | publishing.
May import schemas, money, errors, settings, inputs, resources, workers.
"""
