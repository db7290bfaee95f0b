"""A generation: its database and table files built, checked, published in one swap, and asked.

In: tables by name. Out: ``generations/<refresh_id>/`` and the ``published`` link. In the order in which a table passes them: table_files
(Parquet and CSV), generation (builds and swaps), checks, partitions (the history by month), query (readers). May import connect.
"""
