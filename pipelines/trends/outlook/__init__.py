"""What may come: availability and how long it lasts, the spread of changes, season, forecast.

In: markets by date and the series of model_index. Out: availability tables, distributions of price changes, forecasts
with the trials that show whether they are worth anything. May import every other room of trends.
"""
