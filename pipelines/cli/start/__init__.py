"""Commands to start with: a new workspace, a look at a file, decisions about lines.

In: arguments. Out: a workspace (init), what a price file would become (inspect), decided lines (decide). May import
terminal and every room before cli.
"""
