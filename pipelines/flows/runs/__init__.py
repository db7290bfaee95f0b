"""What became of each refresh, kept outside the generations; who hears of it; and what is wrong with a workspace now.

In: what a refresh reports of itself. Out: a file per run in runs/, notices passed on to programs and mailers of this
machine until each has succeeded once, and concerns for ``kitfare status``. May import only what flows may; inside, run_record <
notices < delivery; disk_use < concerns.
"""
