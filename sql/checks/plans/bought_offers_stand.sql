-- every offer that a plan buys was on offer on the plan's date: its price period was open and confirmed recently enough
with bought as (
    select distinct priced_on, vendor_code, offer_id
    from plan_purchase
),

winner as (
    select vendor_code, observed_on
    from vendor_export
    where export_standing = 'winner'
),

vendor_full_date as (
    select bought.vendor_code, bought.priced_on, max(winner.observed_on) as full_on
    from (select distinct vendor_code, priced_on from bought) as bought
    join winner on bought.vendor_code = winner.vendor_code and bought.priced_on >= winner.observed_on
    group by all
),

confirmed as (
    select
        bought.priced_on,
        bought.offer_id,
        max(
            last_confirmed_by(
                bought.priced_on,
                offer_confirmation.confirmed_from_on,
                offer_confirmation.confirmed_to_on,
                vendor_full_date.full_on
            )
        ) as last_confirmed_on
    from bought
    join offer_confirmation using (offer_id)
    left join vendor_full_date
        on bought.vendor_code = vendor_full_date.vendor_code and bought.priced_on = vendor_full_date.priced_on
    where offer_confirmation.confirmed_from_on <= bought.priced_on
    group by bought.priced_on, bought.offer_id
),

price_period as (
    select distinct offer_id, valid_from_on, valid_to_on
    from price_history
)

select
    priced_on, vendor_code, offer_id,
    price_period.valid_from_on,
    price_period.valid_to_on,
    confirmed.last_confirmed_on
from bought
left join price_period using (offer_id)
left join confirmed using (priced_on, offer_id)
where
    price_period.offer_id is null
    or price_period.valid_from_on > priced_on
    or price_period.valid_to_on <= priced_on
    or confirmed.last_confirmed_on is null
    or date_diff('day', confirmed.last_confirmed_on, priced_on) > getvariable('stale_after_days');
