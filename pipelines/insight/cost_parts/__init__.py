"""Where a plan's money goes: each line's part, the maker's shop, the whole cost of a model.

In: published plans and terms. Out: line_cost, whole_cost, instructions_step, maker_choice, maker_threshold and
maker_further. May import replanning.
"""
