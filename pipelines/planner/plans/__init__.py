"""Plans in whole pieces: read from a program, checked piece by piece, and given to a program as a start.

In: a problem's arrays and pieces. Out: a plan with its exact cost by the landed cost, the faults it has, and a value for every
column of a program. May import statement, reduction, program and costing.
"""
