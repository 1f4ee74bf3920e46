"""Writing beside and renaming: nothing half-written stays, whatever ends it."""

from __future__ import annotations

import errno
import os
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from sample_record import sample_record

from stackkit.errors import OutputError
from stackkit.output.fits import write_fits
from stackkit.output.linear_dng import write_linear_dng
from stackkit.output.tiff import write_tiff
from stackkit.picture.colour.camera import CameraColour
from stackkit.picture.colour.develop import Development
from stackkit.picture.colour.spaces import SRGB
from stackkit.picture.preview import write_jpeg, write_png
from stackkit.record.file import write_record
from stackkit.results import Stack
from stackkit.run.files import reason, replacing, working_folder

VALUE = np.ones((3, 40, 50), dtype=np.float32)
STACK = Stack(VALUE, VALUE, np.ones((40, 50), dtype=np.int16))

HOW = Development(np.ones(3), np.eye(3), 100.0, 95.0, SRGB, None, "")
SHOWN = np.zeros((40, 50, 3), dtype=np.uint8)

WRITERS = {
    "stack.fits": lambda path: write_fits(path, STACK, sample_record()),
    "stack.tif": lambda path: write_tiff(path, VALUE, HOW, sample_record(), SHOWN),
    "stack.dng": lambda path: write_linear_dng(
        path, VALUE, CameraColour(()), HOW, sample_record(), SHOWN
    ),
    "preview.png": lambda path: write_png(path, SHOWN),
    "preview.jpg": lambda path: write_jpeg(path, SHOWN),
    "run.json": lambda path: write_record(path, sample_record()),
}


def temporary_of(target: Path) -> Path:
    return target.with_name(f".{target.name}.part-{os.getpid()}{target.suffix}")


def interrupted(target: Path, fault: type[BaseException]) -> None:
    with replacing(target) as temporary:
        temporary.write_text("half")
        raise fault


def test_a_finished_block_replaces_the_target(tmp_path):
    target = tmp_path / "stack.tif"
    target.write_text("old")
    with replacing(target) as temporary:
        assert temporary.parent == tmp_path
        assert temporary.suffix == ".tif"
        temporary.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert os.listdir(tmp_path) == ["stack.tif"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, SystemExit, ValueError, MemoryError])
def test_an_interrupted_block_leaves_the_target_and_nothing_else(tmp_path, fault):
    target = tmp_path / "stack.fits"
    target.write_text("old")
    with pytest.raises(fault):
        interrupted(target, fault)
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["stack.fits"]


def test_an_interrupted_first_run_leaves_nothing(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        interrupted(tmp_path / "stack.fits", KeyboardInterrupt)
    assert os.listdir(tmp_path) == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full (Linux, full(4))")
@pytest.mark.parametrize("name", WRITERS)
def test_every_writer_says_that_the_disk_is_full(tmp_path, name):
    target = tmp_path / name
    target.write_text("old")
    temporary_of(target).symlink_to("/dev/full")
    with pytest.raises(OutputError, match=r"disk is full.*Free some space") as caught:
        WRITERS[name](target)
    assert str(target) in str(caught.value)
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == [name]


@pytest.mark.parametrize("name", WRITERS)
def test_every_writer_names_a_missing_folder(tmp_path, name):
    with pytest.raises(OutputError, match="folder does not exist"):
        WRITERS[name](tmp_path / "gone" / name)


def test_a_file_in_the_folders_place_is_named(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="folder does not exist"):
        WRITERS["run.json"](tmp_path / "out" / "run.json")


def test_a_folder_in_the_files_place_is_named(tmp_path):
    (tmp_path / "run.json").mkdir()
    with pytest.raises(OutputError, match=r"a folder has that name|no permission"):
        WRITERS["run.json"](tmp_path / "run.json")
    assert os.listdir(tmp_path) == ["run.json"]


def test_a_folder_without_permission(ordinary_user):
    folder, lowered = ordinary_user
    target = folder / "run.json"
    target.write_text("old")
    folder.chmod(0o555)
    with lowered(), pytest.raises(OutputError, match="no permission to write there"):
        WRITERS["run.json"](target)
    assert target.read_text() == "old"
    assert os.listdir(folder) == ["run.json"]


def test_a_rename_that_is_refused(tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OutputError, match="no permission to write there"):
        WRITERS["run.json"](tmp_path / "run.json")
    assert os.listdir(tmp_path) == []


def test_a_disk_that_says_late_that_it_is_full(tmp_path, monkeypatch):
    # Some network and compressed disks take the bytes and fail when they must settle (fsync(2)).
    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    (tmp_path / "run.json").write_text("old")
    with pytest.raises(OutputError, match="disk is full"):
        WRITERS["run.json"](tmp_path / "run.json")
    assert (tmp_path / "run.json").read_text() == "old"
    assert os.listdir(tmp_path) == ["run.json"]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EDQUOT, "disk is full"),
        (errno.EROFS, "no permission"),
        (errno.EFBIG, "no file of that size"),
        (errno.EIO, os.strerror(errno.EIO)),
    ],
)
def test_reasons_in_plain_words(code, words):
    assert words in reason(OSError(code, os.strerror(code)))


def test_a_working_folder_goes_though_a_thread_still_writes(tmp_path):
    ended = threading.Event()

    def write(folder):
        with suppress(OSError):
            while not ended.is_set():
                (folder / f"{time.monotonic_ns()}").write_bytes(b"late")

    for _ in range(20):
        with suppress(KeyboardInterrupt), working_folder(tmp_path) as folder:
            thread = threading.Thread(target=write, args=(folder,))
            thread.start()
            raise KeyboardInterrupt
        ended.set()
        thread.join()
        ended.clear()
        assert list(tmp_path.iterdir()) == []


def test_both_commands_of_the_readme_install_in_place():
    """What a copy had compiled stays in its folder when pip removes it, and is imported instead of
    the sources: the second command would fail after the first.
    """
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    commands = [line for line in text.splitlines() if line.startswith("    python3 -m venv")]
    assert len(commands) == 2
    assert all("pip install -e " in line for line in commands)
