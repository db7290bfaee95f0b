"""Pages, charts and order lists for people: pure functions of a generation's tables.

In: published tables by name, and settings. Out: HTML, Markdown, CSV, XLSX and PNG files of a generation; pages at the
door says which there are. Same tables, same bytes. May import every room before it; inside, basis < drawings < sections
< orders < model_pages, month < pages.
"""
