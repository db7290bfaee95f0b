"""The pages of one model: its cost sheet, and the details behind it.

In: the published look-ups and a model. Out: values for the templates of the sheet and of the details page. May import
basis, drawings, sections and orders.
"""
