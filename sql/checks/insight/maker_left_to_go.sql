-- what a maker's terms still ask for is what they ask for less what is spent, and nothing once it is reached
select *
from maker_threshold
where left_to_go <> greatest(threshold_value - spent_value, 0);
