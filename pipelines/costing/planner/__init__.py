"""The optimiser: the problem as data, terms compiled to bands, and the mixed-integer program."""
