-- a short name of one price period of one offer: 64 bits of a hash
--
-- Among ten million price periods, two share a name with a chance of about 1 in 370,000. A check finds it.
create or replace macro offer_id(vendor_code, part_code, colour_code, condition, listing_code, valid_from_on) as
left(
    sha256(concat_ws(chr(31), vendor_code, part_code, colour_code, condition, listing_code, valid_from_on)),
    16
);
