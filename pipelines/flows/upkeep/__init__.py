"""Looking after a workspace: backups of it and their way back.

In: a workspace, a folder of backups. Out: a backup, a restored workspace. Read in this order: backup_store (what a folder of backups
is), backup, restore. May import only what flows may.
"""
