"""``stackkit masters``: darks, flats and biases in, master frames out."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from . import options
from .stack import take_back
from .terminal import Explained, fitted, progress_bar

if TYPE_CHECKING:
    from stackkit.calibration.frames import Group, Made
    from stackkit.calibration.masters import Master

_MOST_LISTED = 12


@click.command(
    name="masters",
    cls=Explained,
    epilog="Example: stackkit masters my_night --out my_masters",
)
@options.folders("folders")
@options.out("masters")
@click.option(
    "--kind",
    metavar="KIND",
    type=click.Choice(["dark", "flat", "bias"]),
    help="What the folders themselves hold: dark, flat or bias. A dark-flat is a dark.",
)
@options.force("masters")
def command(folders: tuple[Path, ...], out: Path, kind: str | None, force: bool) -> None:
    """Average darks, flats and biases into masters that can be used again.

    Give the folder that holds folders named dark, flat, dark-flat or bias (spellings such as Darks,
    offsets or flat_darks will do), or these themselves. Frames are sorted by camera, size, ISO and
    exposure; each group becomes one FITS file in DIR, with its variance. Unusable frames (light in
    a dark, a flat that is clipped or black) are left out and named. Your files are never changed.
    """
    from stackkit.calibration.frames import find, grouped, make
    from stackkit.calibration.master_file import write_master
    from stackkit.errors import InputError
    from stackkit.session.folder_kinds import Kind

    made_folders = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        frames, left_out = find(folders, Kind(kind) if kind else None)
        groups = grouped(frames)
        _check_output(out, [file_name(group) for group in groups], force)
        with progress_bar() as progress:
            made = make(groups, out, progress)
        made.left_out[:0] = left_out
        if not made.masters:
            raise InputError(_nothing_made(made))
        for master in made.masters:
            write_master(out / file_name(master), master, force)
    except BaseException:
        take_back(made_folders)
        raise
    width = max(shutil.get_terminal_size().columns, 40)
    click.echo("\n".join(fitted(*line, width, len(line[0]) + 2) for line in _lines(made, out)))


def file_name(of: Group | Master) -> str:
    """File name of a master: kind, camera, size, ISO and exposure, where relevant."""
    said = of.setting if hasattr(of, "setting") else of
    camera = re.sub(r"[^a-z0-9]+", "-", (said.camera or "camera").casefold()).strip("-")
    parts = [str(of.kind), camera or "camera", "x".join(map(str, of.size))]
    parts += [f"iso{said.iso}"] if said.iso else []
    parts += [f"{said.exposure:g}s"] if said.exposure else []
    return "_".join(parts) + ".fits"


def _check_output(out: Path, names: Sequence[str], force: bool) -> None:
    """Make ``out`` ready, or refuse before any work is done."""
    from stackkit.errors import UsageError
    from stackkit.run.files import check_output

    check_output(out, force=True)
    present = [name for name in names if (out / name).exists()]
    if present and not force:
        raise UsageError(
            f"{out} already has {present[0]}"
            f"{f' and {len(present) - 1} more of these masters' if len(present) > 1 else ''}. "
            "Choose another --out, or give --force to replace them."
        )


def _nothing_made(made: Made) -> str:
    reasons = "; ".join(f"{one.path.name}: {one.reason}" for one in made.left_out[:3])
    return f"No master could be made ({reasons})."


def _lines(made: Made, out: Path) -> Iterator[tuple[str, str]]:
    from stackkit.calibration.masters import described

    count = len(made.masters)
    yield f"{count} master{'s' * (count > 1)} written to {out}:", ""
    for master in made.masters:
        yield "  ", described(master)
        yield f"    {file_name(master)}", ""
    for remark in made.remarks:
        yield "", remark
    if made.left_out:
        yield "", ""
        yield "", "Not used:"
    for one in made.left_out[:_MOST_LISTED]:
        yield "  ", f"{one.path.parent.name}/{one.path.name}: {one.reason}"
    if len(made.left_out) > _MOST_LISTED:
        yield "  ", f"and {len(made.left_out) - _MOST_LISTED} more"
