-- what the screen of suspect prices found last; it can be made again from the history and the workspace

-- one row per price period of an offer's price step whose price is suspect
create table suspect_price (
    offer_id varchar not null,
    step_from_quantity bigint not null,
    -- from when on a confirmation says that the price is right
    cleared_from_on date
);
