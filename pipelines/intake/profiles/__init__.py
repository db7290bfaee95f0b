"""Profiles: how the files of one source are recognised, read and turned into our columns.

In: the workspace's ``profiles/*.toml``, or an unknown file. Out: the ``Profile`` that fits a file (profiles), or a draft
that the user completes (draft), from where the table begins (layout) and what its columns may mean (guesses). May
import reading.
"""
