-- a price period ends after it began, and was last confirmed while it lasted
select
    offer_id, vendor_code, part_code, colour_code, step_from_quantity, valid_from_on, valid_to_on, last_confirmed_on
from price_history
where
    valid_to_on <= valid_from_on
    or last_confirmed_on < valid_from_on
    or last_confirmed_on >= valid_to_on;
