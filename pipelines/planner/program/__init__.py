"""The purchase problem as a linear or mixed-integer program, and the one way to run HiGHS.

In: a problem's arrays and the uses to keep. Out: columns, rows, rows of vendors' rules, and a solved program with the duals
that bounds are made of. One thread, fixed seed, limits in nodes. May import statement and reduction.
"""
