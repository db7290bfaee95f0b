-- one row per price step of every offer seen on or before a day: its latest price period, open or closed, fresh or
-- stale, with what was known of it on that day
create or replace macro last_seen_prices(day) as table
    with latest_start as (
        select vendor_code, part_code, colour_code, condition, listing_code, max(valid_from_on) as valid_from_on
        from price_history
        where valid_from_on <= day
        group by all
    ),

    latest as ( -- noqa: ST03
        select price_history.*
        from price_history
        semi join latest_start using (vendor_code, part_code, colour_code, condition, listing_code, valid_from_on)
    )

    select *
    from as_known_on('latest', day)
    order by vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity;
