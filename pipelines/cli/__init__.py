"""The command line: one module per command, heavy imports inside."""
