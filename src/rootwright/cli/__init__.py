"""The command line: one file per command, loaded when it is called, so that `--help` stays fast."""

from __future__ import annotations

import gc
import importlib
import keyword
import sys
from typing import Any

import click

from rootwright import __version__

# Command name -> one-line help; the module has the command's name. Nothing else is imported for `--help`.
COMMANDS: dict[str, str] = {
    "new": "Write a commented product to start from.",
    "chip": "Fill a chip file in from the files that come with a part.",
    "import": "Propose a product from linked firmware.",
    "check": "Read a product and its part; say what is wrong and where.",
    "schema": "Print the JSON Schema of product and chip files, for editors.",
    "plan": "Place everything in memory; compare all update procedures.",
    "review": "Rate what attacks take; check design rules; compare parts.",
    "lockdown": "Plan what is locked, with which settings, in which order; check a unit.",
    "export": "Write linker script, header and protection tables for the build.",
    "release": "Build the signed update of one version.",
    "prove": "Check the update procedures under power cuts and bad images.",
    "bench": "Run the boot program itself under faults, cuts and hostile updates.",
    "inspect": "Print any SUIT envelope in the standard's words.",
    "watch": "Run again what depends on a changed file; show the verdicts.",
    "assure": "Run everything and write the dossier.",
}


class LazyGroup(click.Group):
    """A command group whose commands are imported at their first use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in the order in which the work goes."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        # A word of Python's own cannot name a module that is imported by a statement.
        name = cmd_name.replace("-", "_") + ("_" if keyword.iskeyword(cmd_name) else "")
        module = importlib.import_module(f"rootwright.cli.{name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the command list from the table, without importing any command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="rootwright")
def cli() -> None:
    """Plan, build and check a microcontroller product's root of trust and its updates.

    Exit codes: 0 fine, 1 a finding, 2 bad input.
    """


def main(argv: list[str] | None = None) -> Any:
    """Run the command line; every error becomes a message and an exit code, never a traceback."""
    from rootwright.errors import RootwrightError

    if argv is None:
        # A command makes a few hundred thousand objects that it keeps: looking through them all again and again for
        # garbage would take a tenth of the time of a short one.
        gc.set_threshold(200_000, 20, 100)
    try:
        status = cli.main(args=argv, standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("stopped", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except RootwrightError as error:
        click.echo(f"error: {error}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        sys.exit(0)
    except OSError as error:
        click.echo(f"error: {error.filename or 'file'}: {error.strerror or error}", err=True)
        sys.exit(2)
    sys.exit(status if isinstance(status, int) else 0)
