-- one row per source, element and condition: the latest price summary on or before a day; of several with one date, the
-- one in the file with the highest hash
create or replace macro summary_prices(day) as table
    select
        source_code,
        part_code,
        colour_code,
        condition,
        observed_on,
        currency_code,
        lowest_price,
        average_price,
        quantity_available,
        offer_vendor_count
    from summary_observation
    anti join withdrawn_file using (file_hash)
    where observed_on <= day
    qualify
        row_number() over (
            partition by source_code, part_code, colour_code, condition
            order by observed_on desc, file_hash desc
        ) = 1
    order by source_code, part_code, colour_code, condition;
