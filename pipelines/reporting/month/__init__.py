"""The report of a month: all models on one page, a page per model, the figures behind the charts.

In: the published look-ups and a month. Out: ``reports/<month>.html``, ``.md`` and the folder beside them. May import
basis, drawings and sections.
"""
