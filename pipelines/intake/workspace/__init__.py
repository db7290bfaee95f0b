"""The files of a workspace, validated, cross-checked and archived; and the files that kitfare records in it.

In: kitfare.toml, ``tables/``, ``models/``, ``profiles/`` and the records of earlier refreshes. Out:
``WorkspaceInputs``; decisions about lines, published index levels and nightly costs as files of the workspace. Raises
SettingsError, InputError. May import reading, profiles, checking, archiving.
"""
