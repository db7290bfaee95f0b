"""Price indices as pure functions of prices and quantities: formulas with published sources.

In: a ``Panel`` of prices and quantities by month and item. Out: relatives per month, contributions, imputed prices;
any method by its name (methods). It knows no tables, models or settings. May import only what comes before trends, and
months.
"""
