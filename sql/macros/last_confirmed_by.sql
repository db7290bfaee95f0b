-- the last date up to a day on which one run of confirmations confirms its offer; empty if the run begins later
--
-- full_on is the date of the vendor's last winning full export up to the day. A run confirms on its first and last
-- date, and between them on every date of a winning full export.
create or replace macro last_confirmed_by(day, confirmed_from_on, confirmed_to_on, full_on) as
case
    when confirmed_from_on > day then null
    when confirmed_to_on <= day then confirmed_to_on
    else greatest(confirmed_from_on, full_on)
end;
