"""Lower bounds: the relaxation of one program, and the Lagrangean of whole markets.

In: a compiled problem, prices of portions, a target. Out: a bound that is calculated from duals and never a solver's
word, what no better plan can use, and a proof by branching on vendors. May import statement, reduction, program and
plans; not search.
"""
