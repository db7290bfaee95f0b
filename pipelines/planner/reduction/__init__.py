"""What need not be looked at, with the reason why that is safe.

In: a problem's arrays. Out: the uses that no other makes needless (dominated), stand-ins for dear uses (stand_ins), and the
least number of unfilled pieces, by a maximum flow (unfilled). May import statement.
"""
