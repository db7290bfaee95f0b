-- one row per row of price_steps, which names rows of price_history that begin by a day: what was known of it on that
-- day
--
-- The latest run of a step's confirmations mostly began by the day, and gives its last date up to it. Earlier runs are
-- looked up for the other steps only.
create or replace macro as_known_on(price_steps, day) as table
    with vendor_full_date as (
        select vendor_code, max(observed_on) as full_on
        from vendor_export
        where export_standing = 'winner' and observed_on <= day
        group by vendor_code
    ),

    interrupted as (
        select distinct offer_id
        from query_table(price_steps)
        where confirmed_from_on > day
    ),

    last_run as (
        select
            run.offer_id,
            max(
                last_confirmed_by(day, run.confirmed_from_on, run.confirmed_to_on, vendor_full_date.full_on)
            ) as confirmed_on
        from earlier_run() as run
        join interrupted using (offer_id)
        left join vendor_full_date using (vendor_code)
        where run.confirmed_from_on <= day
        group by run.offer_id
    )

    select
        step.offer_id,
        step.vendor_code,
        step.part_code,
        step.colour_code,
        step.condition,
        step.listing_code,
        step.step_from_quantity,
        step.currency_code,
        step.unit_price,
        step.quantity_available,
        step.sold_in_multiples_of,
        step.assortment_code,
        step.maximum_per_order,
        step.form_certainty,
        step.valid_from_on,
        case when step.valid_to_on <= day then step.valid_to_on end as valid_to_on,
        coalesce(
            last_confirmed_by(day, step.confirmed_from_on, step.last_confirmed_on, vendor_full_date.full_on),
            last_run.confirmed_on
        ) as last_confirmed_on,
        exists(
            select 1
            from suspect_price
            where
                suspect_price.offer_id = step.offer_id
                and suspect_price.step_from_quantity = step.step_from_quantity
                and (suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > day)
        ) as is_suspect
    from query_table(price_steps) as step
    left join vendor_full_date using (vendor_code)
    left join last_run using (offer_id);
