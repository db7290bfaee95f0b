"""The report of a month: all models on one page, a page per model, pictures for sharing, the figures behind the charts.

In: the published look-ups and a month. Out: ``reports/<month>.html``, ``.md``, ``.png`` and the folder beside them. monthly_report
puts the page together: front_page (main_points, month_charts), cost_causes, families; model_report makes a model's
page, shared_pictures the pictures, report_data the files of figures. May import basis, drawings and sections.
"""
