"""Commands that answer a question and change nothing in the workspace.

In: a workspace's published generation, or files. Out: a plan, a what-if, an index, the rows behind a number, an
answer to SQL, the dictionary; for people or as JSON. May import terminal and every room before cli.
"""
