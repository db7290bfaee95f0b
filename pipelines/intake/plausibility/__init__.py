"""Whether an export that is well formed is to be believed: rules, and sentences about what they found.

In: figures of exports (dates, elements, prices) from the warehouse, as frames. Out: findings, one per export and rule, and
sentences. Imports no other room of intake.
"""
