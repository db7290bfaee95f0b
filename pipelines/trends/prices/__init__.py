"""What elements cost on a date, which moved most, and which prices stand out.

In: a market, element prices by month, new prices of the history. Out: prices per element and need, rises and falls,
suspect prices with what they were compared with. May import months; not index_numbers.
"""
