"""The files of `kitfare plan` and `kitfare index`: read without a workspace, or refused.

In: the paths that a command was given. Out: ``PlanFiles``, which are a workspace's tables, so that planning has one
set of rules; or the prices for an index. A bad offer is left out and named; any other bad row stops the command. May
import every other room of intake, but not take_in, quarantine, inspect_file.
"""
