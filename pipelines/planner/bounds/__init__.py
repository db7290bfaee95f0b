"""Lower bounds: the relaxation of one program, and the Lagrangean of whole markets.

In: a problem's arrays, prices of portions, a target. Out: bounds that are worked out from duals, never a solver's word; what no
better plan can use; a proof by branching on vendors. May import statement, reduction, program and plans; not search.
"""
