"""What a plan would cost if something were otherwise: questions, variants, sensitivity, suspects.

In: published plans and a change. Out: the answer of `kitfare whatif`, plan_variant, second_source, sensitivity and
suspect_price with its rank. May import replanning and cost_parts.
"""
