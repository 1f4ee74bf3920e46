"""The folder of a comparison: record, page, crops, and the stack that is kept."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from stackkit.compare import Comparison
from stackkit.errors import OutputError, UsageError
from stackkit.output.write import write_results
from stackkit.record.file import plain, write_record
from stackkit.report.comparison_page import page_of_comparison
from stackkit.run import files
from stackkit.run.files import COMPARISON, check_output, reason, replacing, working_folder
from stackkit.run.progress import Progress
from stackkit.schemas.comparison import ComparisonRecord

RECORD, PAGE, CROPS = COMPARISON
FILES = (RECORD, PAGE, CROPS, *files.FILES.values())
"""The files that a comparison may write."""


def check_folder(folder: Path, *, force: bool) -> bool:
    """Make ``folder`` ready; True when it was newly made.  Raises as ``run.files.check_output``."""
    present = [name for name in (RECORD, PAGE, CROPS) if (folder / name).exists()]
    if present and not force:
        raise UsageError(
            f"{folder} already has a comparison ({', '.join(present)}). "
            "Choose another --out, or give --force to replace it."
        )
    return check_output(folder, force)


def write_comparison(
    comparison: Comparison, folder: Path, progress: Progress | None = None
) -> ComparisonRecord:
    """Write everything into ``folder``; returns the record.

    All is written in a temporary folder and moved when complete, the record last.  Raises
    ``OutputError`` when the disk refuses.
    """
    progress = progress or (lambda _step, _done, _total: None)
    record = comparison.record
    with working_folder(folder) as made:
        progress("Writing", 0, 2)
        crops = made / CROPS
        crops.mkdir()
        for name, data in comparison.crops.items():
            with replacing(crops / name) as temporary:
                temporary.write_bytes(data)
        with replacing(made / PAGE) as temporary:
            page = page_of_comparison(plain(record), comparison.crops)
            temporary.write_text(page, encoding="utf-8")
        write_record(made / RECORD, record)
        progress("Writing", 1, 2)
        try:
            # An older record is removed first: a comparison must not look finished with old crops.
            (folder / RECORD).unlink(missing_ok=True)
            if (folder / CROPS).is_dir():
                shutil.rmtree(folder / CROPS)
            for name in (CROPS, PAGE, RECORD):
                os.replace(made / name, folder / name)
        except OSError as error:
            raise OutputError(f"Cannot replace the results in {folder}: {reason(error)}") from error
    if comparison.kept is not None:
        write_results(comparison.kept, folder, progress)
    progress("Writing", 2, 2)
    return record
