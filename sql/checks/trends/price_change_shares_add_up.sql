-- elements whose price rose, stayed and fell add up to all elements, and percentiles ascend
select
    model_code, buyer_code, month, change_month_count, risen_share, unchanged_share, fallen_share
from price_change_distribution
where
    abs(risen_share + unchanged_share + fallen_share - 1) > 1e-9
    or not (
        change_p10_pct <= change_p25_pct
        and change_p25_pct <= change_p50_pct
        and change_p50_pct <= change_p75_pct
        and change_p75_pct <= change_p90_pct
    );
