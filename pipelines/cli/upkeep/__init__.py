"""Commands that look after a workspace: backup, restore, doctor, prune.

In: a workspace, a folder of backups. Out: a backup; a restored workspace; what is wrong and what to do; what may go. May import terminal and every room before cli.
"""
