"""Pages, charts and order lists for people: pure functions of a generation's tables.

In: published tables by name, and settings. Out: HTML, Markdown, CSV, XLSX and PNG files of a generation; pages says
which there are. The indexes are made in index_pages, the comparison in pages, every other page in model_pages, month or how_we_calculate; leak_check looks
for private parts in what may be uploaded, public_copy copies it to a web root. Same tables, same bytes. May import every room before it; inside, basis < drawings < sections < orders < model_pages, month < pages.
"""
