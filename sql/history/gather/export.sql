-- one row per export of a touched vendor
--
-- Its own rows give its coverage and revision. Corrected rows give them only where none of its own could be read, and
-- only if the file they came from is known.
create or replace temp table export as
with gathered as (
    select
        export_hash,
        vendor_code,
        observed_on,
        count(*) filter (not is_left_out) as row_count,
        bool_or(is_original) as has_original,
        bool_and(coverage = 'full') filter (is_original) as is_full_by_originals,
        bool_and(coverage = 'full') filter (not is_original) as is_full_by_corrected,
        max(revision_number) filter (is_original) as revision_by_originals,
        max(revision_number) filter (not is_original) as revision_by_corrected
    from export_row
    group by all
)

select
    gathered.export_hash,
    gathered.vendor_code,
    gathered.observed_on,
    gathered.row_count,
    case
        when gathered.has_original then gathered.is_full_by_originals
        else gathered.is_full_by_corrected and coalesce(not received_file.is_quarantined_whole, false)
    end as is_full,
    case
        when gathered.has_original then gathered.revision_by_originals
        else gathered.revision_by_corrected
    end as revision_number,
    -- if over 1 % of the file's rows name no offer, any of them may be an offer that seems to be gone
    coalesce(100 * untrusted_key.row_count <= received_file.read_row_count, true) as may_close
from gathered
left join received_file on gathered.export_hash = received_file.file_hash
left join untrusted_key on gathered.export_hash = untrusted_key.file_hash
where gathered.row_count > 0;
