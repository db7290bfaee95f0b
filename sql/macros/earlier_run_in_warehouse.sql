-- one row per run of confirmations that ended before its price period's latest run began; the warehouse stores these
-- apart
create or replace macro earlier_run() as table
    select vendor_code, offer_id, confirmed_from_on, confirmed_to_on
    from earlier_confirmation;
