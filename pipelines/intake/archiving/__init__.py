"""The content-addressed archive of all inputs, and the journal of what was taken in and how.

In: bytes, and what was read with what. Out: a SHA-256, the bytes again, checked, and the pages from which ``kitfare
rebuild`` starts. Files in the archive never change. Imports no
other room of intake.
"""
