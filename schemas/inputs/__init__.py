"""Contracts of the tables a user gives: price files, tables/ and models/ of a workspace, and the files of `kitfare plan`.

Modules here import only schemas.contract and each other. Anything may import them. All of them in order: schemas.all_tables.
"""
