"""Commands about the night: refresh, schedule, status, report, decisions about files, repair.

In: a workspace. Out: what a refresh did and what waits for the user; accepted and withdrawn files; a verified or
rebuilt warehouse. May import terminal and every room before cli.
"""
