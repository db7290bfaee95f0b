-- What there is to say of files taken in, until a refresh that succeeds has said it.
create table kept_message (
    message_number bigint primary key,
    message_text varchar not null,
    quarantined_row_count bigint not null
);
