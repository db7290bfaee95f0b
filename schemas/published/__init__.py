"""Contracts of the tables a refresh publishes: what a reader may query and rely on.

Modules here import only schemas.contract and each other. Anything may import them. All of them in order: schemas.all_tables.
"""
