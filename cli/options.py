"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from .terminal import Place, White, Whole

METHODS = (
    "by-sample, mean, median, sigma-clip, winsorised, noise-model, tukey, huber, maximum, minimum"
)
"""Names of the methods, repeated here so that ``--help`` need not import the library."""

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def folders(name: str) -> Decorator:
    """The folders or files a command works on."""
    return click.argument(name, metavar="FOLDER...", nargs=-1, required=True, type=Place())


def out(what: str) -> Decorator:
    """Where ``what`` is written."""
    text = f"Where the {what} go; made if it is not there."
    return click.option("--out", "out", metavar="DIR", required=True, type=Place(), help=text)


def force(what: str) -> Decorator:
    """Whether existing ``what`` may be replaced."""
    return click.option("--force", is_flag=True, help=f"Replace {what} that are already in DIR.")


def open_page() -> Decorator:
    """Whether the report is shown."""
    return click.option("--open", "show", is_flag=True, help="Open report.html in the browser.")


def jobs() -> Decorator:
    """How many threads."""
    text = "Threads [default: all cores]."
    return click.option("--jobs", metavar="N", type=Whole(min=1), help=text)


def scratch() -> Decorator:
    """Where intermediate files are kept."""
    text = "Where temporary files are kept during the run [default: DIR]; a fast disk is best."
    return click.option("--scratch", metavar="PATH", type=Place(), help=text)


def keep_scratch() -> Decorator:
    """Whether intermediate files are kept at the end."""
    text = "Leave the intermediate files: the same command then finishes at once."
    return click.option("--keep-scratch", is_flag=True, help=text)


def session() -> Decorator:
    """Which of the folder's sessions."""
    text = "Which session, where the folder holds several [default: the largest]."
    return click.option("--session", metavar="N", type=Whole(min=1), help=text)


def editing() -> Decorator:
    """How the files for the editor are made."""
    every = [
        click.option(
            "--white",
            metavar="WHITE",
            type=White(),
            default="asshot",
            show_default=True,
            help=(
                "White balance of stack.tif: asshot (from the camera), daylight, stars "
                "(their average colour), or multipliers for red, green and blue such as 1.9,1,1.5."
            ),
        ),
        click.option(
            "--space",
            type=click.Choice(["srgb", "rec2020", "prophoto"]),
            default="srgb",
            show_default=True,
            help="Colour space of stack.tif (always linear).",
        ),
        click.option(
            "--tiff",
            "bits",
            type=click.Choice(["32", "16"]),
            default="32",
            show_default=True,
            help=(
                "Bits of stack.tif: 32 (floating point), or 16 for editors without floating point."
            ),
        ),
        click.option("--dng", is_flag=True, help="Write stack.dng too, for raw editors."),
        click.option(
            "--gradient",
            type=click.Choice(["keep", "remove"]),
            default="keep",
            show_default=True,
            help=(
                "remove: subtract the light-pollution gradient from the results and keep it in"
                " gradient.fits. The previews never show it."
            ),
        ),
    ]

    def all_of(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(every):
            command = option(command)
        return command

    return all_of


def masters() -> Decorator:
    """Where masters are, besides the session's own folders."""
    return click.option(
        "--masters",
        metavar="PATH",
        multiple=True,
        type=Place(),
        help=(
            "Darks, flats and biases: a master file, or a folder that holds masters or folders "
            "named dark, flat or bias. Can be given more than once."
        ),
    )
