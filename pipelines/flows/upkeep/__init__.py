"""Looking after a workspace: backups of it and their way back, and what keeps it from its next refresh.

In: a workspace, a folder of backups. Out: a backup, a restored workspace, findings and corrections. Read in this order: backup_store (what a
folder of backups is), backup, restore; check_result, installation, doctor; prune. May import only what flows may.
"""
