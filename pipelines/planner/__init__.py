"""The optimiser: from a purchase problem as data to a plan in whole pieces and a lower bound.

In: a ``Problem`` (portions, offers, uses, terms, rules). Out: a ``Solution``. Knows no models, dates or tables. Callers use
``solve``, ``statement.problem`` and ``statement.bands``, and ``program.set_cover`` for its own small problem. ``solve.py`` is
the recipe; its stages are in ``stages.py``, for hundreds of vendors in ``whole_market.py``. May import money, errors, costing
and demand. Inside: statement < reduction < program < plans < bounds | search < best_so_far < whole_market < stages < solve.
"""
