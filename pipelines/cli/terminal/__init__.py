"""What the commands share: arguments and options, text for terminals, Ctrl-C.

In: values and text. Out: lines that can't steer a terminal. Nothing heavy is imported. May import errors and
settings; no other room of cli.
"""
