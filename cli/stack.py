"""``stackkit stack``: a folder of raw frames in, one linear picture out."""

from __future__ import annotations

import shutil
import threading
from contextlib import suppress
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from . import options
from .report import open_in_browser
from .terminal import Explained, Whole, progress_bar

if TYPE_CHECKING:
    from stackkit.picture.colour.develop import Balance
    from stackkit.schemas.picture import White


@click.command(
    name="stack",
    cls=Explained,
    epilog="Example: stackkit stack my_night --out result",
)
@options.folders("paths")
@options.out("results")
@options.force("results")
@options.jobs()
@click.option(
    "--method",
    metavar="NAME",
    default="by-sample",
    show_default=True,
    help=(
        "How the frames are combined; by-sample judges each raw sample by itself. One of: "
        f"{options.METHODS}. stackkit compare shows what each does."
    ),
)
@click.option(
    "--sampling",
    metavar="1|2",
    type=Whole(min=1, max=2),
    default=1,
    show_default=True,
    help=(
        "2: twice the width and height in pixels, if the stars are sharp enough and there are"
        " enough frames to show finer detail than one frame can."
    ),
)
@options.editing()
@options.session()
@options.masters()
@options.scratch()
@options.keep_scratch()
@options.open_page()
@click.option(
    "--keep-place",
    is_flag=True,
    help=(
        "Write the GPS location, if the files have one, into run.json and stack.fits. Without this"
        " option it is not even read."
    ),
)
def command(
    paths: tuple[Path, ...],
    out: Path,
    force: bool,
    jobs: int | None,
    method: str,
    sampling: Literal[1, 2],
    white: White | Balance,
    space: str,
    bits: Literal["32", "16"],
    dng: bool,
    gradient: str,
    session: int | None,
    masters: tuple[Path, ...],
    keep_place: bool,
    scratch: Path | None,
    keep_scratch: bool,
    show: bool,
) -> None:
    """Stack the raw frames of one session into one clean, linear picture.

    Give the folder that holds the raw files (DNG or another camera raw), in folders within it or
    not. Where other nights, cameras or parts of the sky are among them, the largest session is
    stacked and the others are listed. Every frame is checked,
    aligned on its stars and averaged; aircraft, satellites and hot pixels are left out. Folders in
    it that are named dark, flat or bias are used where they help. Your files are never changed. DIR
    receives stack.tif (to edit), stack.fits (the measurement), report.html, preview.png and
    preview.jpg (to look at), pictures.zip (from which stackkit report makes its page again) and
    run.json (what was done with each file, and why).
    """
    from stackkit.first_run import compiling_ahead
    from stackkit.picture.edit import Editing
    from stackkit.pipeline import Options, stack
    from stackkit.run.files import check_output
    from stackkit.run.workspace import Task, workspace

    from .summary import summary

    new = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        check_output(out, force)
        # While the first frames are being read there is time for what the last step needs.
        threading.Thread(target=import_module, args=("stackkit.output.write",)).start()
        asked = Options(method, masters, None, None, keep_place, sampling, session)
        editing = Editing(white, space, 16 if bits == "16" else 32, dng, gradient)
        made = tuple(editing.files.values())
        task = Task((*paths, *masters), ("stack", asked), out, made)
        with progress_bar() as progress, workspace(task, scratch, keep=keep_scratch) as work:
            if work.note:
                click.echo(work.note, err=True)
            with compiling_ahead(jobs, partial(click.echo, err=True)):
                result = stack(paths, replace(asked, jobs=jobs), progress, work)
                from stackkit.output.write import write_results

                record = write_results(result, out, progress, editing, jobs)
    except KeyboardInterrupt as interruption:
        raise KeyboardInterrupt(interrupted(scratch or out)) from interruption
    except BaseException:
        take_back(new)
        raise
    click.echo(summary(record, shutil.get_terminal_size().columns))
    if show:
        open_in_browser(out / record["output"]["files"]["report"])


def interrupted(place: Path) -> str:
    """The message for an interrupted run that can be resumed."""
    return (
        "Interrupted. No file was left half-written. What is done so far waits in a hidden folder "
        f"in {place}: the same command goes on from there."
    )


def take_back(folders: list[Path]) -> None:
    """Remove the folders, innermost first, that were made for results of a failed run."""
    with suppress(OSError):
        for folder in folders:
            folder.rmdir()
