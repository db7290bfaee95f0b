"""What may come: availability and how long it lasts, how price changes spread, season, forecast.

In: markets by date and the series of model_index. Out: availability tables, distributions of price changes, forecasts
with the trials that show how good they are. May import every other room of trends.
"""
