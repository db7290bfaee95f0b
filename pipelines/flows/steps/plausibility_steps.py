"""The step between taking files in and folding them: whether new exports are to be believed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl

from pipelines.flows.steps.night import Night
from pipelines.inputs import WorkspaceInputs, exchange_rate_on
from pipelines.intake.archiving import journal
from pipelines.intake.plausibility import rules, sentences
from pipelines.intake.plausibility.rules import Compared, ExportKey, Figures, Finding, Known, OtherList, Steps
from pipelines.settings_plausibility import PlausibilitySettings
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, messages, plausibility
from pipelines.warehouse.price_history.messages import Message
from pipelines.workspace import Workspace

_KEY = ("file_hash", "vendor_code", "observed_on")
SHOWN_PER_RULE = 10
"""So many exports of one refresh are named for each rule; the table export_finding has them all."""


def check_exports(night: Night) -> Night:
    """Record what is not plausible about exports that are new, or that decisions made unchecked; says what is only reported.

    Exports that wait are said by the fold, at every refresh, until someone decides.
    """
    tables, settings = night.all_inputs.tables, night.settings.plausibility
    known = _known(night.all_inputs)
    with connect.writer(night.workspace.warehouse) as con:
        history.set_decisions(
            con,
            accepted=tables["accepted_exports"]["file_hash"].to_list(),
            withdrawn=tables["withdrawn_files"]["file_hash"].to_list(),
        )
        with connect.transaction(con):
            reported: list[tuple[str, str, Finding]] = []
            for turn in plausibility.turns(
                con,
                _known_codes(night.all_inputs),
                days_ahead=settings.days_ahead,
                days_behind=settings.days_behind,
                far_moved_factor=settings.far_moved_factor,
            ):
                found = _findings(con, turn, night.all_inputs, known, settings)
                plausibility.record_turn(con, turn.exports, _as_frame(found))
                reported += [(key.file_hash, key.vendor_code, finding) for key, finding in found]
            messages.keep(con, list(_messages(con, reported)))
        note_checks(night.workspace, con)
    return night


def note_checks(workspace: Workspace, con: connect.Connection) -> None:
    """Write what was found to the archive's journal, so that a warehouse made anew has it, too."""
    by_file: dict[str, list[list[object]]] = {file_hash: [] for file_hash in plausibility.checked_files(con)}
    for row in plausibility.findings(con).iter_rows():
        if row[0] in by_file:
            by_file[row[0]].append([each.isoformat() if hasattr(each, "isoformat") else each for each in row[1:]])
    journal.note_checks(workspace.archive, by_file)


def _known(inputs: WorkspaceInputs) -> Known:
    vendors, rates = inputs.tables["vendors"], inputs.tables["exchange_rates"]
    own = {buyer.currency_code for buyer in inputs.settings.buyer}
    return Known(
        dict(vendors.select("vendor_code", "currency_code").iter_rows()),
        frozenset(inputs.tables["colours"]["colour_code"]),
        frozenset({*own, *rates["from_currency_code"], *rates["to_currency_code"]}),
    )


def _known_codes(inputs: WorkspaceInputs) -> pl.DataFrame:
    """Part and colour codes of the workspace's tables and models."""
    parts = {*inputs.tables["parts"]["part_code"]}
    for table in ("substitutes", "combinations"):
        frame = inputs.tables[table]
        parts.update(*(frame[name] for name in frame.columns if name.endswith("part_code")))
    for model in inputs.models:
        parts.update(model.parts_list["part_code"])
    colours = inputs.tables["colours"]["colour_code"]
    rows = [*(("part_code", code) for code in sorted(parts)), *(("colour_code", code) for code in sorted(colours))]
    return pl.DataFrame(rows, {"code_kind": pl.String, "code": pl.String}, orient="row")


def _findings(
    con: connect.Connection,
    turn: plausibility.TurnFigures,
    inputs: WorkspaceInputs,
    known: Known,
    settings: PlausibilitySettings,
) -> list[tuple[ExportKey, Finding]]:
    figures = _figures(turn)
    doubtful = [key for key, each in figures.items() if rules.needs_other_lists(each)]
    if doubtful:
        keys = pl.DataFrame([vars(key) for key in doubtful], {name: turn.exports.schema[name] for name in _KEY})
        rates = _rates(inputs, turn, max(key.observed_on for key in doubtful))
        needing = turn.exports.join(keys, on=_KEY, how="semi").select(*_KEY, "received_at")
        others = plausibility.other_lists(con, needing, rates).sort("other_code")
        for key, rows in _by_key(others).items():
            lists = tuple(OtherList(*(value for name, value in row.items() if name not in _KEY)) for row in rows)
            figures[key] = replace(figures[key], others=lists)
    return [
        (key, finding) for key, each in figures.items() for finding in rules.findings_of(key, each, known, settings)
    ]


def _figures(turn: plausibility.TurnFigures) -> dict[ExportKey, Figures]:
    dates, compared, usual = _by_key(turn.dates), _by_key(turn.compared), _by_key(turn.usual)
    currencies, unseen, gone_parts = _by_key(turn.currencies), _by_key(turn.unseen), _by_key(turn.gone_parts)
    steps = _by_key(turn.steps)
    found = {}
    for key, [export] in _by_key(turn.exports).items():
        beside = {
            row["compared_as"]: Compared(**{name: row[name] for name in Compared.__dataclass_fields__})
            for row in compared.get(key, ())
        }
        codes: dict[str, dict[str, int]] = {}
        for row in unseen.get(key, ()):
            codes.setdefault(row["code_kind"], {})[row["code"]] = row["element_count"]
        found[key] = Figures(
            is_full=export["is_full"],
            element_count=export["element_count"],
            previous=beside.get("previous"),
            newest=beside.get("newest"),
            usual_count=next((row["usual_count"] for row in usual.get(key, ())), None),
            currencies=frozenset(row["currency_code"] for row in currencies.get(key, ())),
            unseen=codes,
            gone_parts=frozenset(row["part_code"] for row in gone_parts.get(key, ())),
            steps=next((Steps(*(row[n] for n in Steps.__dataclass_fields__)) for row in steps.get(key, ())), Steps()),
            **{name: value for name, value in dates[key][0].items() if name not in _KEY},
        )
    return found


def _by_key(frame: pl.DataFrame) -> dict[ExportKey, list[dict[str, Any]]]:
    """A frame's rows by the export they are about."""
    found: dict[ExportKey, list[dict[str, Any]]] = {}
    for row in frame.iter_rows(named=True):
        found.setdefault(ExportKey(*(row[name] for name in _KEY)), []).append(row)
    return found


def _rates(inputs: WorkspaceInputs, turn: plausibility.TurnFigures, day: date) -> pl.DataFrame:
    """What a unit of each currency was worth in the first buyer's, by the latest rates up to the date."""
    home, rates = inputs.settings.buyer[0].currency_code, inputs.tables["exchange_rates"]
    before = rates.filter(pl.col("rate_on") <= day)
    last_on = before["rate_on"].max()
    codes = sorted(
        {home, *before["from_currency_code"], *before["to_currency_code"], *turn.currencies["currency_code"]}
    )
    rows = [
        (code, float(rate))
        for code in codes
        if (rate := exchange_rate_on(before, code, home, last_on or day)) is not None  # type: ignore[arg-type]
    ]
    return pl.DataFrame(rows, {"currency_code": pl.String, "rate": pl.Float64}, orient="row")


def _as_frame(found: Iterable[tuple[ExportKey, Finding]]) -> pl.DataFrame:
    rows = [
        (
            key.file_hash, key.vendor_code, key.observed_on, each.finding_rule, each.verdict, each.measured, each.allowed,
            each.compared_file_hash, each.compared_on, each.named,
        )
        for key, each in found
    ]  # fmt: skip
    return pl.DataFrame(rows, plausibility.FINDING_SCHEMA, orient="row")


def _messages(con: connect.Connection, found: list[tuple[str, str, Finding]]) -> Iterator[Message]:
    """What is accepted and reported, by rule; of many exports the first ones are named."""
    names = dict(con.execute("select file_hash, file_name from received_file").fetchall()) if found else {}
    for rule in sentences.FINDING_RULES:
        of_rule = [each for each in found if each[2].finding_rule == rule and each[2].verdict == "reported"]
        for file_hash, vendor_code, finding in of_rule[:SHOWN_PER_RULE]:
            text = sentences.sentence(rule, finding.measured, finding.compared_on, finding.named)
            yield Message(sentences.accepted(names.get(file_hash, file_hash[:12]), vendor_code, text))
        if len(of_rule) > SHOWN_PER_RULE:
            more = len(of_rule) - SHOWN_PER_RULE
            yield Message(f"{more} more exports of this kind ({rule}); the table export_finding has them all")
