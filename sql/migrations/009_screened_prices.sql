-- what the screen of suspect prices found and on what: days that did not change since need not be screened again

-- one row per day on which something changes that the screen looks at: a digest of all of it
create table screened_day (
    changed_on date not null,
    day_digest ubigint not null
);

-- one row per suspect price, from the day it came up
create table flagged_price (
    vendor_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    condition varchar not null,
    listing_code varchar not null,
    step_from_quantity bigint not null,
    currency_code varchar not null,
    unit_price decimal(18, 6) not null,
    price_from_on date not null,
    own_price double,
    own_ratio double,
    market_price double,
    market_ratio double,
    rival_vendor_count bigint not null,
    pack_size bigint,
    suspicion varchar not null
);
