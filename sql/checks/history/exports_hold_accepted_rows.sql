-- the rows of all exports that count are the rows accepted from all price exports; none is lost in between
select
    (
        select coalesce(sum(row_count), 0)
        from vendor_export
        where export_standing in ('winner', 'overlay')
    ) as export_row_count,
    (
        select coalesce(sum(accepted_row_count), 0)
        from intake_file
        where table_name = 'price_export'
    ) as accepted_row_count
where export_row_count <> accepted_row_count;
