"""The pages of one model: its cost sheet, and the details behind it.

In: the published look-ups and a model. Out: values for the templates of the sheet and of the details page, and a model's list
as files (needs_file). sheet puts together palette, ways, lines_to_change and parcels, drawn by sheet_drawings; details has the
rest. May import basis, drawings, sections and orders.
"""
