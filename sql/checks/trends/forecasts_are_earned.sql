-- a forecast is published only where enough trials beat all three benchmarks by more than luck, with its level inside
-- its interval, for months after the last index
with last_month as (
    select model_code, buyer_code, max(month) as month
    from price_index
    group by model_code, buyer_code
)

select
    price_forecast.model_code,
    price_forecast.buyer_code,
    price_forecast.month,
    price_forecast.forecast_level
from price_forecast
left join forecast_trial using (model_code, buyer_code)
left join last_month using (model_code, buyer_code)
where
    forecast_trial.is_forecast_shown is distinct from true
    or not coalesce(
        forecast_trial.origin_count >= 24
        and forecast_trial.corrected_p_value <= 0.05
        and forecast_trial.forecast_p_value <= forecast_trial.corrected_p_value
        and forecast_trial.forecast_error_pct < least(
            forecast_trial.naive_error_pct,
            forecast_trial.drift_error_pct,
            forecast_trial.seasonal_naive_error_pct
        ),
        false
    )
    or not (price_forecast.forecast_level between price_forecast.forecast_low and price_forecast.forecast_high)
    or not (price_forecast.month > last_month.month);
