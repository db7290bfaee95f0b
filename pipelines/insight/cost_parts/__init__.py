"""The parts of a plan's cost: each line, the maker's shop, and the whole cost of a model with its instructions.

In: published plans and terms. Out: line_cost, whole_cost, instructions_step, maker_choice, maker_threshold and
maker_further. May import replanning.
"""
