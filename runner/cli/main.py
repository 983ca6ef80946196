"""The command line: names its commands, loads one only when it is called."""

from __future__ import annotations

import sys
from importlib import import_module

import click

from runner.errors import AsleftError, ExitCode
from runner.one_thread import one_thread

__all__ = ["asleft", "main"]

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "A whole acceptance on the simulated bench, with report."),
    "hookup": ("hookup", "Hazards of this wiring, listed and drawn."),
    "schedule": ("schedule", "What would be done, in what order, how long."),
    "run": ("run", "The acceptance of a unit on this bench."),
    "soak": ("soak", "A night at load, with nobody there."),
    "resume": ("resume", "Go on with a soak that was cut off."),
    "watch": ("watch", "Live page of a running record."),
    "assess": ("assess", "Decide again from a record, also with other limits."),
    "diagnose": ("diagnose", "Likely causes of what fails, and what to measure next."),
    "report": ("report", "Reports of a record: HTML, PDF, tables."),
    "compare": ("compare", "As found against as left, or unit against unit."),
    "ripple": ("ripple", "Ripple analysis of a capture carried over by hand."),
    "find": ("find", "Instruments on LAN, USB and serial: who they are."),
    "seal": ("seal", "Sign a record."),
    "verify": ("seal", "Say whether a record was altered, and where."),
    "archive": ("archive", "Keep records findable: add, find, rebuild, export."),
    "history": ("archive", "All jobs of one unit."),
    "stats": ("archive", "How often the checks of a model passed or failed."),
    "schema": ("schema", "JSON Schema of profile, bench or dialect files."),
    "sim": ("sim", "Serve the simulated bench over TCP."),
}


class _Lazy(click.Group):
    """Finds a command's module when the command is called; help needs none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load the command."""
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"runner.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Print the table above; loading every command for its sentence would be slow."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_) for name, (_, help_) in COMMANDS.items()])


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="asleft")
def asleft() -> None:
    """Prove that a repaired bench supply may go back to its owner.

    Start with `asleft demo`: a whole acceptance on a simulated bench. On a real one, first
    `asleft hookup --bench BENCH` (is it wired safely?), then `asleft schedule`, then
    `asleft run`.

    Work on mains-powered units is for people trained for it, by the rules of the place where
    they work. This program never declares a unit electrically safe.

    Exit codes: 0 all pass, 1 the unit fails or is not fully decided, 2 wrong input,
    3 hazard, 4 bench trouble (record kept), 130 interrupted.
    """


def main() -> None:
    """Run the command line; anything the program says on purpose is one sentence."""
    one_thread()
    try:
        code = asleft.main(standalone_mode=False)
    except click.exceptions.Abort:
        code = ExitCode.INTERRUPTED
    except click.ClickException as error:
        error.show()
        code = ExitCode.INPUT
    except AsleftError as error:
        click.echo(f"asleft: {error}", err=True)
        code = error.exit_code
    except KeyboardInterrupt:
        code = ExitCode.INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        code = ExitCode.BENCH
    sys.exit(int(code) if isinstance(code, int) else 0)
