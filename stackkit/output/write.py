"""The last step: the folder for the results, and all files of a result."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import asdict
from functools import cache, partial
from pathlib import Path

from stackkit.errors import InputError, OutputError
from stackkit.output.fits import write_fits, write_picture
from stackkit.output.linear_dng import write_linear_dng
from stackkit.output.tiff import write_tiff
from stackkit.picture.archive import ALONE, STACK, read_pictures, write_pictures
from stackkit.picture.edit import AS_USUAL, OF_SKY, Edited, Editing, edited, sky_of
from stackkit.picture.preview import render, upright_picture, write_jpeg, write_png
from stackkit.picture.thumbnails import opened, picture_name, webp
from stackkit.record.file import checked, plain, write_record
from stackkit.report import page_of_night
from stackkit.results import Result
from stackkit.run.files import FILES, MOVING, RESULTS, reason, replacing, working_folder
from stackkit.run.progress import Progress
from stackkit.run.workers import threads, usual
from stackkit.schemas.run import RunRecord

_LARGE = ("fits", "tiff", "dng", "gradient")
"""Files that are written beside the others: both take about the same time."""
PICTURE_BYTES = 1_400_000
"""Greatest size in bytes of the report's pictures of the stack and of one frame."""


def write_results(
    result: Result,
    folder: Path,
    progress: Progress | None = None,
    editing: Editing = AS_USUAL,
    jobs: int | None = None,
) -> RunRecord:
    """Write all files of a result into ``folder``; returns the record as written.

    The files are made in a folder of their own beside, by two threads if ``jobs`` allows it, and
    moved when all are complete, the record last: there is a whole result or none.  Raises
    ``OutputError`` when the disk refuses.
    """
    progress = progress or (lambda _step, _done, _total: None)
    names = editing.files
    progress("Writing", 0, len(names) + 1)
    batches = [[kind for kind in names if (kind in _LARGE) == large] for large in (True, False)]
    with working_folder(folder) as made, threads(min(jobs or usual(), len(batches))) as pool:
        writers, record = _writers(result, str(folder), editing, pool)

        def write(kinds: Sequence[str]) -> int:
            for kind in kinds:
                writers[kind](made / names[kind])
            return len(kinds)

        done = 0
        for written in pool.map(write, batches):
            done += written
            progress("Writing", done, len(names) + 1)
        _move(made, folder, names)
    progress("Writing", len(names) + 1, len(names) + 1)
    return record


def _writers(
    result: Result, folder: str, editing: Editing, pool: Executor
) -> tuple[dict[str, Callable[[Path], None]], RunRecord]:
    """What writes each kind of file, and the record."""
    made = edited(result, editing, pool)
    pictures = cache(partial(_pictures, result, made))  # for two files of one thread
    value, how, shown, camera = made.stack.value, made.how, made.preview, result.known.colour
    record: RunRecord = {
        **result.record,
        "colour": made.colour,
        "gradient": made.gradient,
        "editing": made.editing,
        "options": {**result.record["options"], **asdict(editing)},
        "output": {**result.record["output"], "folder": folder, "files": editing.files},
        "warnings": [*result.record["warnings"], *([how.remark] if how.remark else [])],
    }
    return {
        "fits": lambda path: write_fits(path, made.stack, record),
        "tiff": lambda path: write_tiff(path, value, how, record, shown, editing.bits),
        "preview": lambda path: write_png(path, shown),
        "jpeg": lambda path: write_jpeg(path, shown),
        "dng": lambda path: write_linear_dng(path, value, camera, how, record, shown),
        "gradient": lambda path: write_picture(path, sky_of(made), OF_SKY),
        "pictures": lambda path: write_pictures(path, pictures()),
        "report": lambda path: write_page(path, record, pictures()),
        "record": lambda path: write_record(path, record),
    }, record


def _move(made: Path, folder: Path, names: Mapping[str, str]) -> None:
    """All files from where they were made to where they are wanted, the record last."""
    try:
        (folder / MOVING).touch()
        # An older record is removed first: a run must not look finished with old pictures.
        for name in (FILES["record"], *(name for name in RESULTS if name not in names.values())):
            (folder / name).unlink(missing_ok=True)
        for name in names.values():
            os.replace(made / name, folder / name)
        (folder / MOVING).unlink()
    except OSError as error:
        raise OutputError(f"Cannot replace the results in {folder}: {reason(error)}") from error


def _pictures(result: Result, made: Edited) -> dict[str, bytes]:
    """All small pictures by name: stack and one frame with the same stretch, and thumbnails."""
    alone = opened(result.pictures.alone, result.record["integration"]["sampling"])
    shown = upright_picture(render(alone, made.rendering), result.orientation)
    large = {STACK: made.preview, ALONE: shown}
    small = {picture_name(k): data for k, data in result.pictures.thumbnails.items()}
    return {name: webp(one, PICTURE_BYTES) for name, one in large.items()} | small


def write_page(path: Path, record: RunRecord, pictures: Mapping[str, bytes]) -> None:
    """The report of a record, with WebP pictures by name.  Raises ``OutputError``."""
    with replacing(path) as temporary:
        temporary.write_text(page_of_night(plain(record), pictures), encoding="utf-8", newline="\n")


def report_again(folder: Path) -> Path:
    """Make the report in a folder of results again, from its record and its small pictures.

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
    except (ValueError, ArithmeticError) as error:  # fits the schema, but is inconsistent
        raise InputError(
            f"{folder / FILES['record']} was changed: its figures make no sense. Stack the frames "
            "again to get a new one."
        ) from error
    return page
