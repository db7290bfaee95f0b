"""What may come: availability and how long it lasts, how price changes spread, season, forecast.

In: markets by date and the series of model_index. Out: availability tables (availability, theil_sen), distributions of price changes
(price_changes), seasons (seasonal), forecasts (forecast) with the trials that show how good they are (forecast_trials, accuracy_test).
May import every other room of trends.
"""
