"""The end of the line: the folder for the results, and all files of a result."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stackkit.errors import InputError, OutputError, UsageError
from stackkit.gallery import at_one_look, opened, picture_name, webp
from stackkit.line import Result
from stackkit.output.files import FILES, MOVING, reason, replacing, working_folder
from stackkit.output.fits import write_fits
from stackkit.output.pictures import ALONE, STACK, read_pictures, write_pictures
from stackkit.output.preview import write_preview
from stackkit.output.record import checked, plain, write_record
from stackkit.output.tiff import write_tiff
from stackkit.output.upright import upright
from stackkit.progress import Progress
from stackkit.report import page_of_night

PICTURE_BYTES = 1_400_000
"""Bytes of the stack's picture for the report, and of the one frame's."""


def check_output(folder: Path, force: bool) -> bool:
    """Make ``folder`` ready for results; True when it was made just now.

    Raises ``UsageError`` when it holds results and ``force`` is not given, ``OutputError`` when it
    cannot be made or written to.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file. Name a folder for the results with --out.")
    present = [name for name in FILES.values() if (folder / name).exists()]
    if present and not force and not (folder / MOVING).exists():
        raise UsageError(
            f"{folder} already has results ({', '.join(present)}). "
            "Choose another --out, or give --force to replace them."
        )
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"Cannot make the folder {folder}: {reason(error)}") from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(
            f"Cannot write to {folder}: no permission to write there. Choose another --out."
        )
    return made


def write_results(result: Result, folder: Path, progress: Progress | None = None) -> dict[str, Any]:
    """Write all files of a result into ``folder``; returns the record as written.

    The files are made in a folder of their own beside and moved when all are complete, the record
    last: there is a whole result or none.  Raises ``OutputError`` when the disk refuses.
    """
    tell = progress or (lambda _step, _done, _total: None)
    place = {"folder": str(folder), "files": FILES}
    record = {**result.record, "output": {**result.record["output"], **place}}
    picture = (result.stack, result.balance, result.orientation)
    with working_folder(folder) as made:
        tell("Writing", 0, len(FILES))
        write_fits(made / FILES["fits"], result.stack, record)
        tell("Writing", 1, len(FILES))
        write_tiff(made / FILES["tiff"], *picture, result.white)
        tell("Writing", 2, len(FILES))
        write_preview(made / FILES["preview"], *picture, result.white)
        tell("Writing", 3, len(FILES))
        pictures = _pictures(result)
        write_pictures(made / FILES["pictures"], pictures)
        tell("Writing", 4, len(FILES))
        write_page(made / FILES["report"], record, pictures)
        tell("Writing", 5, len(FILES))
        write_record(made / FILES["record"], record)
        try:
            (folder / MOVING).touch()
            # An older record goes first: no run must look finished with another's pictures.
            (folder / FILES["record"]).unlink(missing_ok=True)
            for name in FILES.values():
                os.replace(made / name, folder / name)
            (folder / MOVING).unlink()
        except OSError as error:
            raise OutputError(f"Cannot replace the results in {folder}: {reason(error)}") from error
        tell("Writing", len(FILES), len(FILES))
    return record


def write_page(path: Path, record: dict[str, Any], pictures: Mapping[str, bytes]) -> None:
    """The report of a record, with WebP pictures by name.  Raises ``OutputError``."""
    with replacing(path) as temporary:
        temporary.write_text(page_of_night(plain(record), pictures), encoding="utf-8", newline="\n")


def report_again(folder: Path) -> Path:
    """Make the report in a folder of results anew, from its record and its small pictures.

    Raises ``InputError`` where there is no record, or one that does not fit its schema, and
    ``OutputError`` when the disk refuses.
    """
    if not folder.is_dir():
        raise InputError(
            f"There is no folder {folder}. Name the one that stackkit stack wrote its results to."
        )
    record = checked(folder / FILES["record"])
    page, pictures = folder / FILES["report"], read_pictures(folder / FILES["pictures"])
    try:
        write_page(page, record, pictures)
    except (ValueError, ArithmeticError) as error:  # fits the schema, and still makes no sense
        raise InputError(
            f"{folder / FILES['record']} was changed: its figures make no sense. Stack the frames "
            "again to get a new one."
        ) from error
    return page


def _pictures(result: Result) -> dict[str, bytes]:
    """All small pictures by name: stack and one frame at one stretch, and the thumbnails."""
    alone = opened(result.gallery.alone, result.record["integration"]["sampling"])
    both = at_one_look(result.stack.value, alone, result.balance, result.white)
    large = {
        name: webp(upright(one, result.orientation), PICTURE_BYTES)
        for name, one in zip((STACK, ALONE), both, strict=True)
    }
    small = {picture_name(k): data for k, data in result.gallery.thumbnails.items()}
    return large | small
