"""What flexibility of colour and form saves, line by line, and which lines to look at first.

In: a market and the plans of a date. Out: flexibility_cost, colour_flex_saving, substitute_saving and look_first.
line_prices and portion_costs price every line once, vendor_mixes chooses sets of vendors, saving_game shares the
saving, flexible_plans plans the totals. May import replanning.
"""
