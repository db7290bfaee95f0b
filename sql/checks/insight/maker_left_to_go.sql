-- the amount left to a threshold of the maker's shop is the threshold less what is spent, and nothing once it is
-- reached
select *
from maker_threshold
where left_to_go <> greatest(threshold_value - spent_value, 0);
