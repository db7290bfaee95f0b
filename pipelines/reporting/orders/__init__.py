"""Order lists: what to put into each vendor's basket.

In: the plan tables. Out: one CSV per order and one workbook per plan below ``orders/``. May import basis, drawings
and sections.
"""
