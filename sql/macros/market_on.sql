-- one row per price step of an offer that can be bought on a day: its price period is open, it is in stock, and it was
-- confirmed at most stale_after_days before; all as known on that day
--
-- The open price periods are found first, so that confirmations are looked up for few rows.
create or replace macro market_on(day, stale_after_days) as table
    with open_then as ( -- noqa: ST03
        select *
        from price_history
        where valid_from_on <= day and (valid_to_on is null or valid_to_on > day) and quantity_available > 0
    )

    select *
    from as_known_on('open_then', day)
    where date_diff('day', last_confirmed_on, day) <= stale_after_days
    order by vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity;
