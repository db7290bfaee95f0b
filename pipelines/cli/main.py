"""The command ``kitfare``: collects the commands, and says in plain words what went wrong."""

from __future__ import annotations

import errno
import os
import traceback
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from pipelines.cli.ask import dictionary, index, plan, query, trace, whatif
from pipelines.cli.nightly import accept, rebuild, refresh, report, schedule, status, verify, withdraw
from pipelines.cli.start import decide, init, inspect
from pipelines.cli.terminal.common import printable

UNEXPECTED = 70
INTERRUPTED = 130

EXIT_CODES = """Exit codes: 0 done; 1 it could not be done; 2 wrong use; 3 an input or a setting makes no sense;
4 another process is at work; 5 a plan or a check failed, so nothing was published; 70 a fault of kitfare itself;
130 interrupted. Whatever the code, what was published stays."""


class _PlainErrors(TyperGroup):
    """Turns exceptions into messages and exit codes, here, so that tests and shells see the same."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        # Base, because a panic inside Polars is no Exception.
        except BaseException as error:
            if _is_not_a_fault(error):
                message = getattr(error, "message", None)
                if isinstance(message, str):  # a validator's words, as Typer passes them on
                    error.message = message.replace("Value error, ", "").replace("Input should be", "it must be")  # type: ignore[attr-defined]
                raise
            if os.environ.get("KITFARE_DEBUG"):
                traceback.print_exc()
            text, code = _words_and_code(error)
            for words in (*getattr(error, "__notes__", ()), text):
                typer.echo(printable(words), err=True)
            raise typer.Exit(code) from None


def _is_not_a_fault(error: BaseException) -> bool:
    """Typer's own ways to end and to refuse an option, and a reader such as ``head`` that has seen enough."""
    ours = isinstance(error, SystemExit) or type(error).__module__.split(".")[0] == "typer"
    return ours or (isinstance(error, OSError) and error.errno == errno.EPIPE)


def _is_interrupt(error: BaseException) -> bool:
    """Ctrl-C, also where DuckDB makes an error of its own of one that comes while it works or while it is handed a frame."""
    if isinstance(error, KeyboardInterrupt) or (isinstance(error, RuntimeError) and str(error) == "Query interrupted"):
        return True
    if "duckdb" in type(error).__module__ and "KeyboardInterrupt" in str(error):
        return True
    # Prefect, interrupted while a task starts, stumbles over that task as it cleans up.
    return error.__context__ is not None and _is_interrupt(error.__context__)


def _words_and_code(error: BaseException) -> tuple[str, int]:
    from pipelines.errors import KitfareError

    stays = "  state: what was published stays"
    if isinstance(error, KitfareError):
        return str(error), error.exit_code
    if _is_interrupt(error):
        return f"Interrupted.\n{stays}; the same command, run again, starts cleanly", INTERRUPTED
    if isinstance(error, OSError):
        where = f"\n  where: {error.filename}" if error.filename else ""
        what = f"The system refused: {error.strerror or error}{where}"
        return f"{what}\n{stays}\n  next:  correct that and run the command again", 1
    advice = "run it again with KITFARE_DEBUG=1 set, to see where in the program it came from"
    return f"A fault in kitfare: {type(error).__name__}: {error}\n{stays}\n  next:  {advice}", UNEXPECTED


app = typer.Typer(
    name="kitfare",
    cls=_PlainErrors,
    help="What the parts of brick-built models cost, the cheapest way to buy them, and where prices are going.",
    epilog=EXIT_CODES,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(needed: bool) -> None:
    if needed:
        from pipelines import __version__

        typer.echo(f"kitfare {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and end.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    pass


for _command in (
    init,
    refresh,
    report,
    query,
    trace,
    plan,
    whatif,
    decide,
    index,
    inspect,
    accept,
    withdraw,
    rebuild,
    verify,
    schedule,
    status,
    dictionary,
):
    app.command(_command.__name__.rpartition(".")[2])(_command.run)


def main() -> None:
    """Entry point of the command."""
    app()


if __name__ == "__main__":
    main()
