"""The ``stackkit`` command: lists its subcommands, imports one when it is called."""

from __future__ import annotations

import difflib
import importlib
import os
import sys

import click

from .terminal import INTERRUPTED, Explained, failed

_COMMANDS = {
    "stack": "Stack a folder of raw frames into one linear picture.",
    "compare": "Compare integration methods on the same frames.",
    "report": "Make the report page of a finished run again.",
    "plan": "Plan a night: when to go, where to point, what to set, what to take.",
    "inspect": "Describe what is in a file or folder, and whether it is fit for stacking.",
    "masters": "Average darks, flats and biases into masters to use again.",
    "simulate": "Write a simulated night to practise with.",
}


class _Lazy(Explained, click.Group):
    """Imports a command's module when it is needed, so that ``--help`` is quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            near = difflib.get_close_matches(cmd_name, _COMMANDS, 1)
            if near:
                ctx.fail(f"There is no command “{cmd_name}”. Did you mean {near[0]}?")
            return None
        command: click.Command = importlib.import_module(f".{cmd_name}", __package__).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(
    cls=_Lazy,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: stackkit stack my_night --out result",
)
@click.version_option(package_name="stackkit", message="%(prog)s %(version)s")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """From a folder of short raw exposures of the night sky to one clean, linear picture.

    Every command explains itself: stackkit COMMAND --help
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help(), err=True)
        ctx.exit(2)


def main(arguments: list[str] | None = None) -> None:
    """Run the command; exit 0 on success, 1 for faulty data, 2 for wrong usage, 130 interrupted."""
    # The terminal may be unable to show some file names.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        code = cli.main(args=arguments, prog_name="stackkit", standalone_mode=False)
    except click.exceptions.Exit as end:
        code = end.exit_code
    except (Exception, KeyboardInterrupt) as error:
        code = failed(error)
    sys.exit(code if isinstance(code, int) else 0)


def start() -> None:
    """The command as the system starts it: stopped by Ctrl-C, it waits for no thread.

    This is safe, since a run may end at any moment without harm.
    """
    try:
        main()
    except SystemExit as end:
        if end.code != INTERRUPTED:
            raise
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(INTERRUPTED)
