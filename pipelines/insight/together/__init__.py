"""Several models, or several copies, bought in one go: what shared parcels save, and fair shares.

In: a buyer's market, models, stock on hand. Out: joint_order and its tables, copy_cost. May import replanning.
"""
