"""Prefect around a refresh: its server on the loopback address, its flows, the nightly schedule.

In: a workspace and times. Out: a refresh as a Prefect run, a schedule that runs until it is stopped. Nothing is sent
anywhere, and nobody else can use the server. local_prefect comes before the first import of Prefect. May import steps, refresh and month.
"""
