"""What a model needs on a date, and which elements may fill each portion.

In: a model's parts list, amendments and decisions, the tables of colours, substitutes and combinations, stock on hand. Out:
portions, the elements that fit each of them, and what stock fills first. All is worked out once for the dates on which it is
the same. Read in this order: model_portions, colour_distance, fitting (which elements fit), stock_on_hand, demand_by_date.
Knows no vendor and no price. May import costing.
"""
