"""What a plan would cost if something were otherwise.

In: published plans and changed assumptions. Out: the answer of `kitfare whatif` (answers; changed_planning where the maker's
shop is asked first) with the range its difference lies in (cost_limits), sensitivity made of such answers, plan_variant and
second_source (plan_variants, robust_plan), and suspect_price with its rank (suspect_prices). May import replanning and cost_parts.
"""
