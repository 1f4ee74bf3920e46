"""The command as a person meets it: its exit status and what it says, for the tests of it."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
import tifffile
from jsonschema import Draft202012Validator
from stackkit_cli.main import main

from stackkit.output.dng import mosaic_dng
from stackkit.schemas.fields import schema_of
from stackkit.schemas.run import RunRecord
from stackkit.simulate import Night, expose, write_night
from stackkit.simulate.folder import file_tags

#: The command in a process of its own, where Ctrl-C works whatever the tests' own shell does.
PROCESS = (
    sys.executable,
    "-c",
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
    "from stackkit_cli.main import start; start()",
)

Begun = Callable[..., Path]
"""The fixture ``begun``: (night, out, *options) to ``out``, as a run stopped before its results."""

RESULTS = [
    "pictures.zip",
    "preview.jpg",
    "preview.png",
    "report.html",
    "run.json",
    "stack.fits",
    "stack.tif",
]

TINY = Night(
    seed=11,
    frames=1,
    width=320,
    height=240,
    cadence=60.0,
    focal=260.0,
    faintest=8.5,
    satellites=0,
    aircraft=0,
)
"""Settings of a night that takes a moment to simulate and to stack."""


@dataclass(frozen=True)
class Outcome:
    """Exit status, standard output and standard error."""

    status: int
    out: str
    err: str


def run(*arguments: object) -> Outcome:
    """The command in this process; neither of its outputs is a terminal."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as end:
        main([str(argument) for argument in arguments])
    assert isinstance(end.value.code, int)
    return Outcome(end.value.code, out.getvalue(), err.getvalue())


def good(*arguments: object) -> str:
    """What a run that goes well prints."""
    outcome = run(*arguments)
    assert (outcome.status, outcome.err) == (0, ""), outcome.err
    return outcome.out


def fault(status: int, *arguments: object) -> str:
    """The one line that a run says which fails with ``status``."""
    outcome = run(*arguments)
    assert outcome.status == status, outcome
    assert outcome.out == ""
    return one_line(outcome.err)


def one_line(err: str) -> str:
    """The only line of a standard error that is not blank, if it is plain words."""
    lines = [line for line in err.splitlines() if line.strip()]
    assert len(lines) == 1, err
    assert lines[0].startswith("stackkit: ")
    assert "Traceback" not in err
    assert "Errno" not in err
    return lines[0]


def blank_end(path: Path) -> None:
    """Blanks the end of the picture in a DNG, as a copy that was broken off may do."""
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        end = page.dataoffsets[-1] + page.databytecounts[-1]
    data = path.read_bytes()
    path.write_bytes(data[: end - 600] + bytes(600) + data[end:])


def copy_apart(source: Path, target: Path) -> Path:
    """A copy that says of itself what the original does not: no copy, by its bytes."""
    signed = hashlib.sha256(os.fsencode(target.name)).hexdigest()[:9].encode()
    data = source.read_bytes()
    assert data.count(b"stackkit simulate") == 1
    target.write_bytes(data.replace(b"stackkit simulate", b"stackkit" + signed))
    return target


def three_frames(small_night: Path, folder: Path) -> Path:
    """A folder with three frames of the small night, to add to."""
    folder.mkdir()
    for name in ("night_0001.dng", "night_0002.dng", "night_0003.dng"):
        shutil.copy(small_night / name, folder)
    return folder


def record_of(folder: Path) -> dict[str, Any]:
    """The run.json in the folder, which must fit its schema."""
    record: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema_of(RunRecord)).validate(record)
    return record


def reasons(folder: Path) -> dict[str, str]:
    """Why each file that is not in the stack is not."""
    return {row["file"]: row["reason"] for row in record_of(folder)["frames"] if not row["used"]}


def names(folder: Path) -> list[str]:
    """All names in the folder, hidden ones too."""
    return sorted(os.listdir(folder))


def contents(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Bytes and time of the last change of every file."""
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}


def one_frame(path: Path, night: Night = TINY, **tags: object) -> Path:
    """One simulated frame, whose file says something else of itself than the night's would."""
    said = replace(file_tags(night, 0), **tags)  # type: ignore[arg-type]
    path.write_bytes(mosaic_dng(expose(night, 0).codes, said))
    return path


def simulated(folder: Path, **changes: object) -> Path:
    """A folder with a night like ``TINY`` but for the changes."""
    folder.mkdir(exist_ok=True)
    write_night(replace(TINY, **changes), folder)  # type: ignore[arg-type]
    return folder
