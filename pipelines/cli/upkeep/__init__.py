"""Commands that look after a workspace: backup, restore, doctor.

In: a workspace, a folder of backups. Out: a backup; a restored workspace; what is wrong and what to do. May import terminal and every room before cli.
"""
