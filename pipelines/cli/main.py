"""The command ``kitfare``: its commands by what one does with them, and plain messages for what goes wrong."""

from __future__ import annotations

import errno
import os
import traceback
from types import ModuleType
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from pipelines.cli.ask import dictionary, index, plan, query, trace, whatif
from pipelines.cli.nightly import accept, open, publish, rebuild, refresh, report, schedule, status, verify, withdraw
from pipelines.cli.start import add, decide, init, inspect
from pipelines.cli.terminal.common import printable
from pipelines.cli.upkeep import backup, doctor, prune, restore

EXIT_CODES = """Exit codes: 0 done; 1 it could not be done; 2 wrong use; 3 an input or a setting is wrong;
4 another refresh is at work; 5 a plan or a check failed, so nothing was published; 6 with doctor or
status --exit-code: what is published is not kept up to date; 7 with these: something waits for a person;
70 a fault in kitfare; 130 interrupted. Whatever the code, what was published stays."""


COMMANDS = {
    "Start": (init, add, inspect, dictionary),
    "Every day": (refresh, status, open, report, publish, schedule),
    "Ask": (plan, whatif, trace, query, index),
    "Look after": (decide, accept, withdraw, verify, rebuild, backup, restore, doctor, prune),
}
"""The modules of the commands by what one does with them, in the order of the help."""


def command_groups() -> dict[str, list[str]]:
    """The names of the commands by what one does with them."""
    return {group: [_name(module) for module in modules] for group, modules in COMMANDS.items()}


def _name(module: ModuleType) -> str:
    return module.__name__.rpartition(".")[2]


class _Commands(TyperGroup):
    """Turns exceptions into messages and exit codes, and lists commands by what one does with them."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """A section per group of commands."""
        limit = formatter.width - 6 - max(map(len, self.commands))
        for group, names in command_groups().items():
            with formatter.section(group):
                formatter.write_dl([(name, self.commands[name].get_short_help_str(limit)) for name in names])

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        # BaseException, because a panic inside Polars is no Exception.
        except BaseException as error:
            if _is_not_a_fault(error):
                message = getattr(error, "message", None)
                if isinstance(message, str):  # of a validator, as Typer passes it on
                    error.message = message.replace("Value error, ", "").replace("Input should be", "it must be")  # type: ignore[attr-defined]
                raise
            if os.environ.get("KITFARE_DEBUG"):
                traceback.print_exc()
            message, code = _message_and_code(error)
            for text in (*getattr(error, "__notes__", ()), message):
                typer.echo(printable(text), err=True)
            raise typer.Exit(code) from None


def _is_not_a_fault(error: BaseException) -> bool:
    """Typer's own ways to end and to refuse an option, and a reader such as ``head`` that reads no further."""
    ours = isinstance(error, SystemExit) or type(error).__module__.split(".")[0] == "typer"
    return ours or (isinstance(error, OSError) and error.errno == errno.EPIPE)


def _message_and_code(error: BaseException) -> tuple[str, int]:
    from pipelines.errors import KitfareError, exit_code_of, is_interrupt

    state, code = "  state: what was published stays", exit_code_of(error)
    if isinstance(error, KitfareError):
        return str(error), code
    if is_interrupt(error):
        return f"Interrupted.\n{state}\n  next:  run the same command again", code
    if isinstance(error, OSError):
        where = f" ({error.filename})" if error.filename else ""
        what = f"The system refused: {error.strerror or error}{where}"
        return f"{what}\n{state}\n  next:  correct that and run the command again", code
    advice = "run it again with KITFARE_DEBUG=1 to see where in the program it happens"
    return f"A fault in kitfare: {type(error).__name__}: {error}\n{state}\n  next:  {advice}", code


app = typer.Typer(
    name="kitfare",
    cls=_Commands,
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


for _module in (module for group in COMMANDS.values() for module in group):
    app.command(_name(_module))(_module.run)


def main() -> None:
    """Entry point of the command."""
    app()


if __name__ == "__main__":
    main()
