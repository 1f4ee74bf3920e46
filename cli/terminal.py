"""Terminal manners: progress on standard error, faults as one plain line."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

Progress = Callable[[str, int, int], None]


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """A bar with the step and the frame on standard error; silent when that is no terminal."""
    if not sys.stderr.isatty():
        yield lambda _step, _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description:<20}"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, int] = {}

        def tell(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=total)
            bars.update(tasks[step], completed=done, total=total)  # type: ignore[arg-type]

        yield tell


def failed(error: BaseException) -> int:
    """Say what went wrong on standard error; the exit status that goes with it."""
    from stackkit.errors import StackkitError, UsageError

    if isinstance(error, KeyboardInterrupt | click.exceptions.Abort):
        _say("Interrupted. Nothing half-written was left behind.")
        return 130
    if isinstance(error, click.exceptions.ClickException):
        error.show()
        return 2
    if isinstance(error, UsageError):
        _say(str(error))
        return 2
    if isinstance(error, BrokenPipeError):
        # Whoever read our output has left; a second write at exit must not complain either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    if isinstance(error, MemoryError):
        _say("There is not enough memory for pictures of this size. Close other programs.")
        return 1
    if isinstance(error, StackkitError):
        _say(str(error))
        return 1
    traceback.print_exception(error)
    _say("This is a fault in stackkit itself, not in your pictures. Please report the lines above.")
    return 1


def _say(text: str) -> None:
    click.echo(f"stackkit: {text}", err=True)
