"""What a plan would cost if something were otherwise.

In: published plans and changed assumptions. Out: the answer of `kitfare whatif` (answers), plan_variant and second_source
(plan_variants), sensitivity, and suspect_price with its rank (suspect_prices). May import replanning and cost_parts.
"""
