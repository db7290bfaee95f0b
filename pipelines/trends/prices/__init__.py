"""Prices of elements on a date, the largest rises and falls, and suspect prices.

In: a market, element prices by month, new prices of the history. Out: prices per element and need, rises and falls,
suspect prices with what they were compared with. May import months; not index_numbers.
"""
