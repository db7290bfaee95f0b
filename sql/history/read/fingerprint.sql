-- one row per table that the fingerprint covers: its rows, and the exclusive or of their digests
with digest as (
    select 'price_history' as table_name, md5_number(to_json(price_history)::varchar) as row_digest
    from price_history
    union all
    select 'offer_confirmation', md5_number(to_json(offer_confirmation)::varchar)
    from offer_confirmation
    union all
    select 'vendor_export', md5_number(to_json(vendor_export)::varchar)
    from vendor_export
    union all
    select 'export_finding', md5_number(to_json(export_finding)::varchar)
    from export_finding
    anti join withdrawn_file using (file_hash)
    union all
    select 'corrected_row', md5_number(to_json(corrected_row)::varchar)
    from corrected_row
    union all
    select 'summary', md5_number(to_json(summary_observation)::varchar)
    from summary_observation
    union all
    select 'intake_file', md5_number(to_json(received)::varchar)
    from (select * exclude (file_name, received_at) from intake_file()) as received
    union all
    select 'quarantined_row', md5_number(to_json(quarantined)::varchar)
    from (select * exclude (file_name) from quarantined_row()) as quarantined
)

select table_name, count(*) as row_count, bit_xor(row_digest) as rows_digest
from digest
group by table_name
order by table_name;
