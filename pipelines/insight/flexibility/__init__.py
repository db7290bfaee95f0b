"""What flexibility of colour and form saves, line by line, and which lines to look at first.

In: a market and the plans of a date. Out: flexibility_cost, colour_flex_saving, substitute_saving and look_first.
May import replanning. Read in this order: priced_uses (every offer that could serve a portion), portion_costs (a
portion's cost in a set of vendors), vendor_mixes (the sets compared), model_games and saving_game (an estimate of what each
flexible line saves), interplays (which lines change it), look_order and look_first_list (where to look next), part_flexibility
(what may be bought where only some lines are flexible), line_plans (what the lines that matter save, by plans;
kept_line_plans keeps them), flexible_plans and total_costs (the totals, planned), savings (the tables).
"""
