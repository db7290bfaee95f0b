"""The optimiser: from a purchase problem as data to a plan in whole pieces and a lower bound.

In: a ``Problem`` (portions, offers, uses, terms, rules). Out: a ``Solution``; ``solve.py`` at the door reads as the
recipe, ``whole_market.py`` is the one for hundreds of vendors. Knows no models, dates or tables. May import money,
errors, costing and demand; inside, statement < reduction < program < plans < bounds, search < whole_market, solve.
"""
