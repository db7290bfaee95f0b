from datetime import date, timedelta

from pipelines.demand.demand_by_date import demand_of
from pipelines.demand.fitting import fitting_elements
from pipelines.demand.model_portions import portions_on
from pipelines.settings import ListVersion
from tests.builders.markets import flexibility, line, make_inputs, make_model


def test_what_is_kept_is_what_would_be_worked_out_on_every_date() -> None:
    """A list, a decision and an substitutes that begin on different dates; asked for in an order that could take one for another."""
    model = make_model(
        [line(1, "beam", "red", 4), line(1, "beam", "red", 6, list_version=2)],
        [flexibility(1, "any", decided_on=date(2026, 5, 1))],
        versions=[
            ListVersion(list_version=1, released_on=date(2026, 1, 1)),
            ListVersion(list_version=2, released_on=date(2026, 7, 1)),
        ],
    )
    stand_in = {
        "part_code": "beam", "substitute_part_code": "bar", "substitute_kind": "other_form", "strength": "equal",
        "valid_from_on": date(2026, 3, 1),
    }  # fmt: skip
    inputs = make_inputs([model], substitutes=[stand_in])
    other = make_inputs([model])
    days = [date(2026, 1, 1) + timedelta(days=30 * number) for number in range(10)]
    portions_seen, fits_seen = set(), set()
    for day in [*days, *reversed(days)]:
        for freely in (True, False):
            portions = portions_on(model, day, freely)
            assert demand_of(inputs).portions(model, day, freely).equals(portions)
            portions_seen.add(repr(portions.rows()))
            for substitutes in (True, False):
                for known in (inputs, other):
                    needed = fitting_elements(portions, known.tables, day, use_substitutes=substitutes)
                    assert demand_of(known).fits(model, day, freely, substitutes).equals(needed), (day, freely)
                    fits_seen.add(needed.write_csv())
    assert len(portions_seen) == 5  # as listed 4 and 6; undecided 4, any 4 and any 6
    assert len(fits_seen) == 4  # with and without the colour flexibility, with and without the stand-in
