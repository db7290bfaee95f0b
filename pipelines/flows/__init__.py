"""A refresh as one list of steps, run plainly or by Prefect; checks and repairs of a workspace.

In: a workspace and a way to run a step. Out: a published generation, a rebuilt warehouse, a list of faults. steps
says what each step does, refresh in which order. May import every room before it; inside, steps < refresh <
scheduler, rebuild, verify.
"""
