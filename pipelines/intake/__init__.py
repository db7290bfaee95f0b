"""From a file in the inbox to validated rows, and from a workspace's files to its inputs.

In: price files, the workspace's files, the files of `kitfare plan` and `kitfare index`. Out: a ``TakenFile``
(take_in), the file of quarantined rows (quarantine), an ``Inspection`` (inspect_file), and the inputs of workspace/
and single_files/. No content of a price file raises an error: what fails is quarantined with its reason. take_in archives the
bytes first, and reads what is archived. May import
schemas, money, errors, settings, inputs, resources, workers; inside, reading < profiles < checking < archiving <
workspace < single_files < take_in, quarantine, inspect_file.
"""
