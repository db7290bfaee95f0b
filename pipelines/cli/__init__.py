"""The command line: one module per command, heavy imports inside the functions.

In: arguments. Out: text on the terminal, and an exit code (main). May import every room; inside, terminal < start,
(nightly < upkeep), ask < main.
"""
