-- one row per run of confirmations of a price period; it includes the latest run, which changes nothing where earlier
-- ones are looked up
create or replace macro earlier_run() as table
    select vendor_code, offer_id, confirmed_from_on, confirmed_to_on
    from offer_confirmation;
