"""``stackkit inspect``: what is in a file or folder, and whether it is fit for stacking."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import click

from .terminal import Explained, Place, Whole, progress_bar


@click.command(
    name="inspect",
    cls=Explained,
    epilog="Example: stackkit inspect my_night",
)
@click.argument("paths", metavar="PATH...", nargs=-1, required=True, type=Place())
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of words.")
@click.option("--jobs", metavar="N", type=Whole(min=1), help="Threads [default: all cores].")
@click.option("--quick", is_flag=True, help="Read headers only; the pictures are not measured.")
@click.pass_context
def command(
    ctx: click.Context, paths: tuple[Path, ...], as_json: bool, jobs: int | None, quick: bool
) -> None:
    """Describe what is in a file or folder, and whether it is fit for stacking.

    Before a night, in daylight: does the camera write untouched raws, how many bits, how much
    noise, what corrections? After it: sky, stars, trails, gaps, and which frames are unusable, and
    why. Folders named dark, flat or bias are looked at as such. Nothing is written, and where a
    picture was taken is never shown.

    The table has for each frame the sky's level as a share of the range, the number of stars, their
    width in px, their shape (0 is round), and the transparency; an exclamation mark marks unusable
    frames.
    """
    from stackkit.inspect import headers, inspect

    from .inspection_text import text

    with progress_bar() as progress:
        record = (headers if quick else inspect)(paths, jobs, progress)
    if as_json:
        # File names that are not UTF-8 contain lone surrogates; their backslash form is valid JSON.
        document = json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
        sys.stdout.write(document.encode("utf-8", "backslashreplace").decode("utf-8"))
    else:
        click.echo(text(record, shutil.get_terminal_size().columns))
    if record["measured"] and not any(verdict["read"] for verdict in record["verdicts"]):
        ctx.exit(1)
