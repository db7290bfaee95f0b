"""Plans in whole pieces: read from a program, checked piece by piece, and given back as a start.

In: a compiled problem and pieces. Out: a plan with its exact cost from the landed cost, the faults it has, and a
value for every column of a program. May import statement, reduction, program and costing.
"""
