"""The content-addressed archive of all inputs, the journal of what was taken in and how, and the files themselves.

In: bytes, and what was read with what. Out: a SHA-256, the bytes again, checked, and the pages from which ``kitfare
rebuild`` starts; which files may still be written (still_written); files in taken/, and which of them changed since
(taken_files). Files in the archive never change. Imports no other room of intake.
"""
