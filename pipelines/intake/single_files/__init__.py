"""The files of `kitfare plan`, `kitfare index` and `kitfare add`: read alone, or refused.

In: the paths that a command was given. Out: ``PlanFiles``, which are a workspace's tables, so that planning has one
set of rules; or the prices for an index. A bad offer is left out and named; any other bad row stops the command.
A designer's parts list: list_cells cuts a file into rows, list_columns finds its columns, list_table its lines, list_revision writes them as a model. May
import every other room of intake, but not take_in, quarantine, inspect_file.
"""
