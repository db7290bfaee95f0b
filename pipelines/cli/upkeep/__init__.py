"""Commands that look after a workspace: backup, restore.

In: a workspace, a folder of backups. Out: a backup; a restored workspace. May import terminal and every room before cli.
"""
