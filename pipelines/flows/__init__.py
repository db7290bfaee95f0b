"""A refresh as one list of steps, run plainly or by Prefect; checks and repairs of a workspace.

In: a workspace and a way to run a step. Out: a published generation, a rebuilt warehouse, a list of faults. steps/ has
what each step does, refresh their order; runs/ what became of each refresh. May import every other room but cli; inside,
file_lock, month < runs < watch_news < recorded, steps < refresh < scheduler < upkeep, rebuild, verify.
"""
