"""Purchase plans for models: every scenario, buyer and date, checked and published as tables.

In: a workspace's inputs, the market on each date, the latest prices. Out: the rows of model_cost and the plan tables, estimates
for what can't be bought and remedies for it; for `kitfare plan`, one plan of a list of needs. Each plan is made once and kept
under the hash of what shaped it. Read in this order: night (all models, buyers and dates; plan_cache keeps their plans), scenarios (all
plans of one model, buyer and date), candidates (which offers may fill which portion: the planner's problem), purchase_plan (its
solution, by offer), maker_first (the maker's order, then the rest), plan_check, estimates and remedies (for what is unfilled),
plan_tables (the published rows). plan_needs is for `kitfare plan`. May import costing, demand and planner.
"""
