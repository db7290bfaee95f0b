"""A refresh as one list of steps, run plainly or by Prefect; checks and repairs of a workspace.

In: a workspace and a way to run a step. Out: a published generation, a rebuilt warehouse, a list of faults. steps/ has
what each step does, refresh their order. May import every other room but cli; inside, file_lock, month, watch_news <
steps < refresh < scheduler, rebuild, verify.
"""
