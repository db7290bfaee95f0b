"""A smaller problem whose optimum is still a lower bound, and how few pieces may be missing.

In: a compiled problem. Out: the uses that are worth a column, a few in place of the dear ones, and the least number
of unfilled pieces (a maximum flow). May import statement.
"""
