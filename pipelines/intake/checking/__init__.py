"""Checks: one row against a profile, corrected rows, and tables against each other.

In: text tables and profiles, corrected files, a workspace's tables. Out: rows in our columns with their failures
(shape), what a corrected row rejoins (corrected_files), or an InputError where tables contradict each other
(cross_checks). May import reading and profiles.
"""
