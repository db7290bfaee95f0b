"""What may be bought where only some lines' flexibility counts, and whether one set of rules contains another."""

from __future__ import annotations

from collections.abc import Collection
from functools import cached_property
from itertools import product

import polars as pl

from pipelines.demand.fitting import PORTION_KEY
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts
from pipelines.insight.flexibility.priced_uses import COLOUR
from pipelines.planning.candidates import Candidates, candidates_among, why_forbidden
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Scenario

Use = tuple[int, int, str, str, str]
"""line_number, portion_number, offer_id, combination_code and component_part_code."""
_FLEXIBILITY_OR_NAME = {"scenario_code", "title", "use_flexibility", "use_substitutes"}


class PartFlexibility:
    """Makes the candidates of a model, buyer and date for any set of lines whose flexibility counts.

    Args:
        inputs: the workspace.
        planning: of the model.
        listed: the scenario in which no flexibility counts.
        flexible: the scenario in which all of it counts.
        costs: which say what lines a flexibility is about.
    """

    def __init__(
        self,
        inputs: WorkspaceInputs,
        planning: ModelPlanning,
        listed: Scenario,
        flexible: Scenario,
        costs: PortionCosts,
    ) -> None:
        self._inputs, self._planning, self._costs = inputs, planning, costs
        self._listed, self._flexible = listed, flexible

    def with_only(self, flexibility: Flexibility) -> Candidates:
        """As listed, but for one flexibility."""
        lines = set(self._costs.lines_of(flexibility))
        return self._candidates(self._listed, *((lines, set()) if flexibility[1] == COLOUR else (set(), lines)))

    def with_all_but(self, flexibility: Flexibility) -> Candidates:
        """As in the flexible plan, but for one flexibility, which counts as listed."""
        lines = set(self._costs.lines_of(flexibility))
        without_colour, without_form = (lines, set[int]()) if flexibility[1] == COLOUR else (set[int](), lines)
        return self._candidates(
            self._flexible,
            self._all_lines - without_colour if self._flexible.use_flexibility else set(),
            self._all_lines - without_form if self._flexible.use_substitutes else set(),
        )

    @cached_property
    def _all_lines(self) -> set[int]:
        return set(self._portions(True)["line_number"])

    def _candidates(self, scenario: Scenario, colours: Collection[int], forms: Collection[int]) -> Candidates:
        """Under a scenario's vendors and conditions, with flexible colours and forms in some lines."""
        has_colour, has_form = (pl.col("line_number").is_in(list(lines)) for lines in (colours, forms))
        portions = pl.concat([self._portions(True).filter(has_colour), self._portions(False).filter(~has_colour)])
        fits = pl.concat(
            [
                self._fits(colour, form).filter((has_colour == colour) & (has_form == form))
                for colour, form in product((False, True), repeat=2)
            ]
        )
        found = candidates_among(
            self._planning.steps,
            portions.sort(PORTION_KEY),
            fits.sort(*PORTION_KEY, "combination_code", "part_code", "colour_code", "condition"),
            self._inputs,
            scenario,
        )
        vendors = self._planning.book.vendors
        return found.of_vendors([code for code in found.vendor_codes if not why_forbidden(vendors[code], scenario)])

    def _portions(self, use_flexibility: bool) -> pl.DataFrame:
        return self._planning.portions(self._flexible.model_copy(update={"use_flexibility": use_flexibility}))

    def _fits(self, colour: bool, form: bool) -> pl.DataFrame:
        change = {"use_flexibility": colour, "use_substitutes": form}
        return self._planning.fits(self._flexible.model_copy(update=change))

    @property
    def shaping_frames(self) -> list[pl.DataFrame]:
        """All portions and fits that any candidates are made of."""
        return [
            *(self._portions(colour) for colour in (False, True)),
            *(self._fits(colour, form) for colour, form in product((False, True), repeat=2)),
        ]


def have_equal_terms(one: Scenario, other: Scenario) -> bool:
    """Whether two scenarios differ in nothing but flexibility, and count nothing but money."""
    first, second = (scenario.model_dump(exclude=_FLEXIBILITY_OR_NAME) for scenario in (one, other))
    return first == second and not one.parcel_penalty and not one.preferred_vendors


def uses_of(candidates: Candidates) -> frozenset[Use]:
    """What may fill what, without the row numbers of any candidates."""
    portions, offer_ids = list(candidates.portion_numbers), list(candidates.offer_numbers)
    return frozenset(
        (*portions[portion], offer_ids[offer], combination, component)
        for portion, offer, combination, component in candidates.component_counts
    )


def contains(more: Candidates, fewer: Candidates) -> bool:
    """Whether every plan of ``fewer`` is one of ``more``, under scenarios of equal terms.

    So it is where the same pieces are needed, every use is allowed, and portions that must be alike in ``more`` must be so in
    ``fewer`` or have one colour there anyway. Lines that must be alike and are listed in different colours break it.
    """
    if more.needed != fewer.needed or not uses_of(fewer) <= uses_of(more):
        return False
    colours: dict[int, set[str]] = {}
    for portion, colour in fewer.uses.select("portion_index", "colour_code").unique().iter_rows():
        colours.setdefault(portion, set()).add(colour)
    groups: dict[str, list[int]] = {}
    for index, code in enumerate(more.portions["group_code"].to_list()):
        if code:
            groups.setdefault(code, []).append(index)
    own_codes = fewer.portions["group_code"].to_list()
    for members in groups.values():
        is_one_group = len({own_codes[index] for index in members}) == 1 and own_codes[members[0]]
        if not is_one_group and len(set().union(*(colours.get(index, set()) for index in members))) > 1:
            return False
    return True
