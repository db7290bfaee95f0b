"""The only place that opens DuckDB: connections, price history, market on a date, checks, generations."""
