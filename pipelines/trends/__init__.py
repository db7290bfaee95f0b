"""Where prices are going: price indices of models, element prices, availability and outlook.

In: the market on each month's date and a model's basket. Out: the tables of trends. Plans enter only as quantities;
nothing is planned here. May import schemas, money, errors, settings, inputs, resources, workers; inside, months <
index_numbers, prices < model_index < outlook.
"""
