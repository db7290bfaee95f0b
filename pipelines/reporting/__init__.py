"""Pages, charts and order lists for people: pure functions of a generation's tables.

In: published tables by name, and settings. Out: HTML, Markdown, CSV, XLSX and PNG files of a generation; pages says
which there are. The index and the comparison are made in pages, every other page in model_pages or month. Same tables, same
bytes. May import every room before it; inside, basis < drawings < sections < orders < model_pages, month < pages.
"""
