"""Builds linear programs from whole arrays and runs HiGHS on them: one thread, a fixed seed, nothing that depends on time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipelines.errors import PlanRefusedError
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.tolerances import ABOVE_BOUND

SAFETY_SECONDS = 60.0
"""A run ends after so long; it never should, and a plan that met this is not kept."""


@dataclass(frozen=True)
class Program:
    """A (mixed-integer) linear program, minimised; the matrix is in triplets without duplicates."""

    cost: Floats
    lower: Floats
    upper: Floats
    is_integer: Flags
    row_lower: Floats
    row_upper: Floats
    entry_row: Ints
    entry_column: Ints
    entry_value: Floats

    @property
    def size(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.row_lower), len(self.cost)


class ProgramBuilder:
    """Collects columns, rows and entries block by block."""

    def __init__(self) -> None:
        self._columns: list[tuple[Floats, Floats, Floats, Flags]] = []
        self._rows: list[tuple[Floats, Floats]] = []
        self._entries: list[tuple[NDArray[Any], ...]] = []
        self.column_count = 0
        self.row_count = 0

    def columns(
        self,
        count: int,
        *,
        upper: ArrayLike,
        lower: ArrayLike = 0.0,
        cost: ArrayLike = 0.0,
        integer: ArrayLike = False,
    ) -> Ints:
        """Add columns between bounds; returns their numbers."""
        cost, lower, upper = (_filled(value, (count,), np.float64) for value in (cost, lower, upper))
        self._columns.append((cost, lower, upper, _filled(integer, (count,), np.bool_)))
        self.column_count += count
        return np.arange(self.column_count - count, self.column_count)

    def rows(self, count: int, *, lower: ArrayLike = -np.inf, upper: ArrayLike = np.inf) -> Ints:
        """Add rows between bounds; returns their numbers."""
        self._rows.append((_filled(lower, (count,), np.float64), _filled(upper, (count,), np.float64)))
        self.row_count += count
        return np.arange(self.row_count - count, self.row_count)

    def entries(self, row: ArrayLike, column: ArrayLike, value: ArrayLike) -> None:
        """Add matrix entries, arrays or single values alike."""
        shape = np.broadcast_shapes(np.shape(row), np.shape(column), np.shape(value))
        parts = ((row, np.int64), (column, np.int64), (value, np.float64))
        self._entries.append(tuple(_filled(part, shape, kind).ravel() for part, kind in parts))

    def program(self) -> Program:
        """The program of all that was added."""
        cost, lower, upper, is_integer = (np.concatenate(parts) for parts in zip(*self._columns, strict=True))
        row_lower, row_upper = (np.concatenate(parts) for parts in zip(*self._rows, strict=True))
        row, column, value = (np.concatenate(parts) for parts in zip(*self._entries, strict=True))
        return Program(cost, lower, upper, is_integer, row_lower, row_upper, row, column, value)


def _filled(value: ArrayLike, shape: tuple[int, ...], kind: type[np.generic]) -> NDArray[Any]:
    """A value spread over a shape; np.broadcast_to is slower, and programs have thousands of small blocks."""
    filled = np.empty(shape, kind)
    filled[...] = value
    return filled


@dataclass(frozen=True)
class Outcome:
    """What HiGHS found.

    Attributes:
        status: optimal, feasible (a limit was met with a solution in hand), infeasible, or unknown.
        values: column values; None without a solution.
        row_duals: of a linear program; None otherwise.
        bound: no solution costs less, up to tolerances.
        hit_time_limit: the safety limit was met.
    """

    status: str
    values: Floats | None
    row_duals: Floats | None
    bound: float
    hit_time_limit: bool
    nodes: int


def solve(program: Program, options: Mapping[str, bool | int | float | str], start: Floats | None = None) -> Outcome:
    """Run HiGHS on one thread with a fixed seed.

    Two answers are asked for a second time, with presolve if the first run was without, and the other way round.
    ``infeasible``: presolve has been wrong before. ``optimal`` with a bound below the value found: HiGHS 1.16.0 can return the
    start of a tiny program as its optimum, with bound 0 and no node (test_a_start_is_not_taken_for_the_optimum has the case).
    """
    outcome = _run(program, options, start)
    if outcome.status == "infeasible" or _claims_too_much(program, outcome, float(options.get("mip_rel_gap", 1e-4))):
        presolve = "choose" if options.get("presolve") == "off" else "off"
        outcome = _run(program, {**options, "presolve": presolve}, start)
    return outcome


def _claims_too_much(program: Program, outcome: Outcome, relative_gap: float) -> bool:
    """Whether an integer solution is called optimal though its value is above the bound."""
    if outcome.status != "optimal" or outcome.values is None or not program.is_integer.any():
        return False
    value = float(program.cost @ outcome.values)
    return value - outcome.bound > ABOVE_BOUND + 2 * relative_gap * abs(value)


def quiet_solver() -> highspy.Highs:
    """A solver on one thread that prints nothing: what highspy.Highs is built on, whose constructor prints first.

    It is private, so pyproject.toml pins highspy to the version that was looked at. The threads are set here, because HiGHS
    keeps those of the first run in a process and refuses every later run that asks for another number.
    """
    solver: highspy.Highs = highspy._Highs()  # type: ignore[attr-defined]
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)
    return solver


def _run(program: Program, options: Mapping[str, bool | int | float | str], start: Floats | None) -> Outcome:
    solver = quiet_solver()
    settings = {"random_seed": 0, "time_limit": SAFETY_SECONDS, **options}
    for name, value in settings.items():
        solver.setOptionValue(name, value)
    solver.passModel(_as_highs(program))
    if start is not None:
        solution = highspy.HighsSolution()
        solution.col_value = start
        solver.setSolution(solution)
    if solver.run() == highspy.HighsStatus.kError:
        raise PlanRefusedError("the solver stopped with an error", next_step="report this problem to the maintainers")
    return _outcome(solver, bool(program.is_integer.any()))


def _as_highs(program: Program) -> highspy.HighsLp:
    rows, columns = program.size
    order = np.lexsort((program.entry_row, program.entry_column))
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = rows, columns
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = program.cost, program.lower, program.upper
    lp.row_lower_, lp.row_upper_ = program.row_lower, program.row_upper
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = np.searchsorted(program.entry_column[order], np.arange(columns + 1)).astype(np.int32)
    lp.a_matrix_.index_ = program.entry_row[order].astype(np.int32)
    lp.a_matrix_.value_ = program.entry_value[order]
    if program.is_integer.any():
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[flag] for flag in program.is_integer.tolist()]
    return lp


def _outcome(solver: highspy.Highs, is_mip: bool) -> Outcome:
    status, info = solver.getModelStatus(), solver.getInfo()
    has_solution = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    solution = solver.getSolution()
    known = {
        highspy.HighsModelStatus.kOptimal: "optimal",
        highspy.HighsModelStatus.kInfeasible: "infeasible",
        highspy.HighsModelStatus.kUnboundedOrInfeasible: "infeasible",
    }
    has_duals = not is_mip and solution.dual_valid
    return Outcome(
        status=known.get(status, "feasible" if has_solution else "unknown"),
        values=np.array(solution.col_value) if has_solution else None,
        row_duals=np.array(solution.row_dual) if has_duals else None,
        bound=info.mip_dual_bound if is_mip else info.objective_function_value,
        hit_time_limit=status == highspy.HighsModelStatus.kTimeLimit,
        nodes=int(info.mip_node_count) if is_mip else 0,
    )


def priced_columns(program: Program, row_duals: Floats) -> tuple[float, Floats]:
    """A lower bound of a linear program from any row duals, whatever the solver's tolerances, and the columns' reduced costs.

    By weak duality with all columns between bounds: for any multipliers, price each row at the bound its multiplier favours,
    and put each column at the bound its reduced cost favours. Rounding errors of the sums are left to the caller's margin.
    Neumaier & Shcherbina, Safe bounds in linear and mixed-integer linear programming, Math. Programming 99 (2004) 283-296,
    doi 10.1007/s10107-003-0433-3.
    """
    duals = np.where(
        ((row_duals > 0) & np.isinf(program.row_lower)) | ((row_duals < 0) & np.isinf(program.row_upper)),
        0.0,
        row_duals,
    )
    sides = np.where(duals > 0, program.row_lower, program.row_upper)
    rows = duals * np.where(duals == 0, 0.0, sides)
    priced = np.bincount(
        program.entry_column, program.entry_value * duals[program.entry_row], minlength=len(program.cost)
    )
    reduced = program.cost - priced
    columns = np.where(reduced > 0, reduced * program.lower, reduced * program.upper)
    return float(rows.sum() + columns[reduced != 0].sum()), reduced
