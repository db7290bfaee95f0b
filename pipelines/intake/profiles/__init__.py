"""Profiles: how the files of one source are recognised, read and turned into our columns.

In: the workspace's ``profiles/*.toml``, or an unknown file. Out: the ``Profile`` that fits a file, or a draft of one
for the user to complete (draft, guesses). May import reading.
"""
