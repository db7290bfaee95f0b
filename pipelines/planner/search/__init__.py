"""Which vendors to order from: local search over sets of vendors, then whole pieces.

In: a compiled problem and starts. Out: good sets of vendors with their cost in floats, and plans in whole pieces that
keep every rule (repair). May import statement, reduction, program and plans; not bounds.
"""
