-- messages about files taken in that no refresh which succeeded has shown yet
create table pending_message (
    message_number bigint primary key,
    message_text varchar not null,
    quarantined_row_count bigint not null
);
