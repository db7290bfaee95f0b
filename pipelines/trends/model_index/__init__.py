"""The monthly price index of a model: basket, levels, contributions, and what was published.

In: a model's basket, markets by month, the levels published before. Out: price_index, element_price, index_band,
index_contribution, and revisions. May import months, index_numbers and prices.
"""
