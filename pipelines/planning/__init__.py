"""Purchase plans for models: every scenario, buyer and date, checked and published as tables.

In: a workspace's inputs, the market on each date, the latest prices. Out: the rows of model_cost and the plan tables, estimates
for what can't be bought and remedies for it; for `kitfare plan`, one plan of a list of needs. Each plan is made once and kept
under the hash of what shaped it (plan_cache). May import costing, demand and planner.
"""
