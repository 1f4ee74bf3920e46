"""The terminal: help that begins with the purpose, progress and errors on standard error."""

from __future__ import annotations

import math
import os
import sys
import textwrap
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

Progress = Callable[[str, int, int], None]

INTERRUPTED = 130
"""Exit status after Ctrl-C: 128 plus the number of the signal, as in shells."""


class Explained(click.Command):
    """A command whose help begins with what it is for and an example."""

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the help: purpose, example, usage, options."""
        self.format_help_text(ctx, formatter)
        self.format_epilog(ctx, formatter)
        formatter.write_paragraph()
        self.format_usage(ctx, formatter)
        self.format_options(ctx, formatter)


class Place(click.Path):
    """A file or folder; its name must not be empty."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; an empty text, which would mean the current folder, is refused."""
        if not str(value):
            self.fail("the name is empty.", param, ctx)
        return Path(str(super().convert(value, param, ctx)))


class Whole(click.IntRange):
    """A whole number within limits."""

    name = "whole number"


class White(click.ParamType):  # type: ignore[type-arg]  # older releases have no argument
    """The name of a white, or three multipliers separated by commas."""

    name = "white"
    names = ("asshot", "daylight", "stars")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The name, or the multipliers as numbers."""
        if value in self.names:
            return value
        try:
            red, green, blue = (float(part) for part in str(value).split(","))
        except ValueError:
            red = green = blue = 0.0
        usual = all(0.05 <= each <= 20 for each in (red, green, blue))
        if not usual:
            self.fail(
                f"{value!r} is neither {', '.join(self.names)} nor three multipliers between 0.05 "
                "and 20 such as 1.9,1,1.5.",
                param,
                ctx,
            )
        return red, green, blue


class Figure(click.FloatRange):
    """A number within limits."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number; NaN, which passes all limits, is refused."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a {self.name}.", param, ctx)
        return number


class Seconds(Figure):
    """A number of seconds within limits."""

    name = "number of seconds"


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """A bar with the step and the frame on standard error; silent if that is not a terminal."""
    if not sys.stderr.isatty():
        yield lambda _step, _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskID, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description:<20}"),
        BarColumn(bar_width=30),
        TextColumn("{task.fields[count]:>9}"),
        TimeElapsedColumn(),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def progress(step: str, done: int, total: int) -> None:
            # For a step that cannot be counted only its name is shown.
            count = f"{done}/{total}" if total > 1 else ""
            end = total if total > 1 or done else None
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=end, count=count)
            bars.update(tasks[step], completed=done, total=end, count=count)

        yield progress


def failed(error: BaseException) -> int:
    """Report an error on standard error; returns the exit status."""
    from stackkit.errors import StackkitError, UsageError

    if isinstance(error, KeyboardInterrupt | click.exceptions.Abort):
        # click turns an interruption into an Abort, whose cause may have a message.
        _say(str(error.__cause__ or error) or "Interrupted. No file was left half-written.")
        return INTERRUPTED
    if isinstance(error, click.exceptions.ClickException):
        context = getattr(error, "ctx", None)
        command = context.command_path if context else "stackkit"
        _say(f"{error.format_message()} See: {command} --help")
        return 2
    if isinstance(error, UsageError):
        _say(str(error))
        return 2
    if isinstance(error, BrokenPipeError):
        # The reader of our output is gone; the flush at exit must not fail either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    if isinstance(error, MemoryError):
        _say("There is not enough memory for pictures of this size. Close other programs.")
        return 1
    if isinstance(error, StackkitError):
        _say(str(error))
        return 1
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        _say(f"The system reports a fault: {where}{error.strerror or error}.")
        return 1
    traceback.print_exception(error)
    _say("This is a fault in stackkit itself, not in your pictures. Please report the lines above.")
    return 1


def shown(text: str) -> str:
    """``text`` on one line: control characters (in file names) become ?."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _say(text: str) -> None:
    click.echo(shown(f"stackkit: {text}"), err=True)


def fitted(start: str, text: str, width: int, hang: int | None = None) -> str:
    """A line wrapped below itself, indented by ``hang`` columns (None: to where ``text`` began).

    Broken between words to ``width``; unprintable characters are made visible.
    """
    start, text = shown(start), shown(text)
    if not text:
        return start.rstrip()
    return textwrap.fill(
        text,
        width,
        initial_indent=start,
        subsequent_indent=" " * (len(start) if hang is None else hang),
        break_long_words=False,
        break_on_hyphens=False,
    )
