"""The files of ``kitfare plan``, read and validated, as the inputs that planning takes from a workspace.

An offer that fails is named and left out, as in a price export. In all other files one bad row stops the command: a plan
for half the needs, or under half the terms, would answer another question.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import polars as pl

from pipelines.errors import InputError, UsageError
from pipelines.inputs import WorkspaceInputs
from pipelines.intake.reading.readers import ReadOptions, open_source
from pipelines.intake.single_files import plan_checks, plan_inputs
from pipelines.intake.single_files.plan_checks import PlanFile
from pipelines.money import is_currency
from pipelines.settings import Buyer, Scenario, Settings
from schemas.all_tables import OPTIONAL_FILES
from schemas.contract import Contract
from schemas.inputs.plan_files import PLAN_NEEDS, PLAN_OFFERS, PLAN_TERMS, SHORT_NAMES
from schemas.published.runs import INPUT_FILE
from schemas.validate import FAILURE_SCHEMA, POSITION_COLUMNS, describe_failures, empty_frame, validate_text

MAXIMUM_CELL_CHARACTERS = 1_000
"""Longer cells are no codes, numbers or lists of codes that anyone wrote on purpose."""

_SHOWN_CHARACTERS = 60
_SHOWN_ROWS = 5


@dataclass(frozen=True)
class PlanPaths:
    """Where the files are; ``further`` by the names in OPTIONAL_FILES."""

    needs: Path
    offers: Path
    terms: Path
    further: Mapping[str, Path]


@dataclass(frozen=True)
class PlanFiles:
    """All that is to be planned.

    Attributes:
        inputs: the tables of a workspace, with one buyer and one scenario in its settings.
        needs: PLAN_NEEDS.
        offers: PLAN_OFFERS, of vendors with terms, in stock.
        left_out: vendors that can't be used, with the reason.
        cautions: sentences for people.
    """

    inputs: WorkspaceInputs
    needs: pl.DataFrame
    offers: pl.DataFrame
    left_out: dict[str, str]
    cautions: tuple[str, ...]


def read_plan_files(paths: PlanPaths, scenario: Scenario, currency_code: str | None, day: date) -> PlanFiles:
    """Read, validate and cross-check all files.

    Args:
        paths: the files.
        scenario: the rules of the plan.
        currency_code: of all totals; None takes the one that all vendors share.
        day: whose substitutes and combinations apply, and on which vendors may be closed.

    Raises:
        UsageError: a file is not there, or the currency is unknown or must be stated.
        InputError: a file cannot be read, a row of a file other than the offers fails, or no offer can be used.
    """
    if currency_code is not None and not is_currency(currency_code):
        raise UsageError(f"{currency_code!r} is not a currency of ISO 4217", next_step="state one such as EUR")
    needs = _read_whole(paths.needs, PLAN_NEEDS)
    terms = _read_whole(paths.terms, PLAN_TERMS)
    further = {
        name: _read_whole(paths.further[name], contract) if name in paths.further else _absent(contract)
        for name, contract in OPTIONAL_FILES.items()
    }
    _stop_at(needs, plan_checks.check_needs(needs))
    _stop_at(further["substitutes"], plan_checks.check_substitutes(further["substitutes"]))
    for name in ("shipping_steps", "handling"):
        _stop_at(further[name], plan_checks.check_charges(further[name], terms))
    offers, about_rows = _read_offers(paths.offers)
    _stop_at(terms, plan_checks.check_closures(terms))
    _stop_at(terms, plan_checks.check_currencies(terms, offers))
    failures, about_colours = plan_checks.check_colours(needs, offers, further["colours"])
    _stop_at(needs, failures)
    offered = plan_checks.offers_left_out(offers, terms)
    cautions = [*about_rows, *offered.cautions, *plan_checks.idle_flexibility(needs), *about_colours]

    currencies = plan_inputs.vendor_currencies(terms, offered.kept)
    buyers = currency_code or _shared_currency(currencies)
    buyer = Buyer(buyer_code="buyer", title="the buyer", region_code="here", currency_code=buyers)
    rates = plan_inputs.exchange_rates(further["rates"].frame, day)
    unusable = plan_inputs.vendors_left_out(currencies, buyers, rates, further, day)
    cautions += [f"vendor {code} is left out: {reason}" for code, reason in unusable.items()]
    tables = plan_inputs.workspace_tables(needs, terms, offered.kept, further, currencies, buyer, rates)
    inputs = WorkspaceInputs(Settings(buyer=[buyer], scenario=[scenario]), tables, (), empty_frame(INPUT_FILE))
    return PlanFiles(inputs, needs.frame, offered.kept, offered.without_terms | unusable, tuple(cautions))


def _shared_currency(currencies: Mapping[str, str]) -> str:
    known = sorted(set(currencies.values()))
    if len(known) == 1:
        return known[0]
    raise UsageError(f"vendors sell in {' and '.join(known)}", next_step="state the currency of all totals: --currency")


def _absent(contract: Contract) -> PlanFile:
    positions = (pl.lit(None, dtype=pl.Int64).alias(name) for name in POSITION_COLUMNS)
    return PlanFile(contract, "", empty_frame(contract).select(*positions, pl.all()))


def _read_offers(path: Path) -> tuple[PlanFile, list[str]]:
    found, failures = _read(path, PLAN_OFFERS)
    mixed = plan_checks.check_step_kinds(found)
    if mixed.height:
        failures = pl.concat([failures, mixed])
        found = replace(found, rows=found.rows.join(mixed, on="record_number", how="anti", maintain_order="left"))
    count = failures["record_number"].n_unique()
    if not found.rows.height:
        raise _broken(found, failures)
    if not count:
        return found, []
    what = "1 row fails and is left out" if count == 1 else f"{count} rows fail and are left out"
    return found, [f"{found.name}: {what}: {'; '.join(_described(failures))}"]


def _read_whole(path: Path, contract: Contract) -> PlanFile:
    found, failures = _read(path, contract)
    _stop_at(found, failures)
    return found


def _stop_at(file: PlanFile, failures: pl.DataFrame) -> None:
    if failures.height:
        raise _broken(file, failures)


def _broken(file: PlanFile, failures: pl.DataFrame) -> InputError:
    count = failures["record_number"].n_unique()
    return InputError(
        f"{count} row{'s' if count > 1 else ''} of {file.name} cannot be used",
        where=f"{file.name}, " + "; ".join(_described(failures)),
        state="nothing was planned",
        next_step=f"correct {'them' if count > 1 else 'it'} and run the command again; `kitfare dictionary "
        f"{file.contract.name}` explains the columns",
    )


def _described(failures: pl.DataFrame) -> list[str]:
    value = pl.col("quarantined_value")
    is_long = value.str.len_chars() > _SHOWN_CHARACTERS
    shown = pl.when(is_long).then(value.str.slice(0, _SHOWN_CHARACTERS) + "...").otherwise(value)
    ordered = failures.sort("record_number", maintain_order=True)
    return describe_failures(ordered.with_columns(shown.alias("quarantined_value")), limit=_SHOWN_ROWS)


def _read(path: Path, contract: Contract) -> tuple[PlanFile, pl.DataFrame]:
    """The rows that keep to the contract, and FAILURE_SCHEMA of the others, under the file's own column names."""
    if not path.is_file():
        raise UsageError(f"{path} is not there, or not a file", where=str(Path.cwd()), next_step="check the path")
    name = str(path)
    table = open_source(path, name).read(ReadOptions())
    text = table.frame
    nameless = [column for column in text.columns if column.startswith("(column ")]
    text = text.drop(c for c in nameless if not (text[c].fill_null("").str.strip_chars() != "").any())
    if not table.row_count:
        raise InputError(f"{name} has a header and no rows", where=name, next_step="fill it, or leave the option out")
    long_names = {short: SHORT_NAMES[short] for short in _short_names_in(text.columns, contract, name)}
    text = text.rename(long_names)
    too_long = _long_cells(text)
    text = text.join(too_long, on="record_number", how="anti", maintain_order="left") if too_long.height else text
    found = validate_text(contract, text, where=name)
    short_names = {long: short for short, long in long_names.items()}
    failures = pl.concat([table.problems.cast(FAILURE_SCHEMA), too_long, found.failures])
    failures = failures.with_columns(pl.col("quarantined_column").replace(short_names))
    return PlanFile(contract, name, found.rows, short_names), failures


def _short_names_in(columns: Iterable[str], contract: Contract, where: str) -> list[str]:
    present = set(columns)
    used = [name for name, long in SHORT_NAMES.items() if name in present and long in contract.columns]
    twice = [name for name in used if SHORT_NAMES[name] in present]
    if twice:
        raise InputError(
            f"{where} has both {twice[0]} and {SHORT_NAMES[twice[0]]}, which are one column",
            where=where,
            next_step="remove one of them",
        )
    return used


def _long_cells(text: pl.DataFrame) -> pl.DataFrame:
    found = [pl.DataFrame(schema=FAILURE_SCHEMA)]
    for name in text.columns:
        if name in POSITION_COLUMNS:
            continue
        # In bytes, because counting characters is slow, and no character has more than four.
        bad = text.filter(pl.col(name).str.len_bytes() > 4 * MAXIMUM_CELL_CHARACTERS)
        if bad.height:
            found.append(
                bad.select(
                    *POSITION_COLUMNS,
                    pl.lit(name).alias("quarantined_column"),
                    pl.col(name).alias("quarantined_value"),
                    pl.format("longer than {} characters", pl.lit(MAXIMUM_CELL_CHARACTERS)).alias("quarantined_rule"),
                    pl.lit("check the separator, or shorten the cell").alias("what_to_do"),
                ).cast(FAILURE_SCHEMA)
            )
    return pl.concat(found)
