"""``stackkit stack`` and bad input: bad files, a bad disk, a person who interrupts."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from command_line import (
    PROCESS,
    RESULTS,
    TINY,
    Begun,
    blank_end,
    contents,
    copy_apart,
    fault,
    good,
    names,
    one_frame,
    one_line,
    reasons,
    record_of,
    run,
    simulated,
    three_frames,
)
from grids import corners

from stackkit.output import write
from stackkit.run import files


@pytest.fixture
def night(small_night: Path, tmp_path: Path) -> Path:
    return three_frames(small_night, tmp_path / "night")


@pytest.fixture(scope="module")
def starless(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two frames taken through thick cloud, the second and third of a night."""
    folder = simulated(tmp_path_factory.mktemp("starless"), frames=3, clear=(0.0, 0.0, 0.0))
    (folder / "truth.json").unlink()
    (folder / "night_0001.dng").unlink()
    return folder


# Bad data: exit status 1, and nothing made


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ({}, "is empty"),
        ({"notes.txt": b"cold"}, "notes.txt (a text file, not a raw picture)"),
        ({"a.dng": b"this is no picture\n"}, "a.dng (a text file, not a raw picture)"),
        ({"a.dng": b""}, "a.dng (empty file)"),
    ],
)
def test_a_folder_without_raw_files(tmp_path: Path, content: dict[str, bytes], words: str) -> None:
    folder = tmp_path / "night"
    folder.mkdir()
    for name, data in content.items():
        (folder / name).write_bytes(data)
    line = fault(1, "stack", folder, "--out", tmp_path / "new" / "out")
    assert str(folder) in line
    assert words in line
    assert names(tmp_path) == ["night"]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    line = fault(1, "stack", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert f"There is no folder or file {tmp_path / 'nowhere'}" in line
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("share", "words"), [(0.001, "cut short"), (0.5, "cut short"), (0.999, "damaged")]
)
def test_only_a_truncated_file(small_night: Path, tmp_path: Path, share: float, words: str) -> None:
    whole = (small_night / "night_0001.dng").read_bytes()
    (tmp_path / "cut.dng").write_bytes(whole[: int(share * len(whole))])
    line = fault(1, "stack", tmp_path / "cut.dng", "--out", tmp_path / "out")
    assert "cut.dng" in line
    assert words in line
    assert names(tmp_path) == ["cut.dng"]


def test_only_files_with_damaged_samples(night: Path, tmp_path: Path) -> None:
    for path in night.iterdir():
        blank_end(path)
    line = fault(1, "stack", night, "--out", tmp_path / "out")
    assert "None of the raw files could be read" in line
    assert "night_0001.dng" in line
    assert names(tmp_path) == ["night"]


def test_files_that_may_not_be_read(small_night: Path, ordinary_user: Any) -> None:
    folder, lowered = ordinary_user
    (folder / "night").mkdir()
    shutil.copy(small_night / "night_0001.dng", folder / "night" / "mine.dng")
    (folder / "night" / "mine.dng").chmod(0)
    folder.chmod(0o777)
    with lowered():
        line = fault(1, "stack", folder / "night", "--out", folder / "out")
        assert "mine.dng (cannot be read: permission denied)" in line
    (folder / "night").chmod(0)
    with lowered():
        line = fault(1, "stack", folder / "night", "--out", folder / "out")
        assert "permission denied" in line
    assert names(folder) == ["night"]


def test_no_stars_in_any_frame(starless: Path, tmp_path: Path) -> None:
    line = fault(1, "stack", starless, "--out", tmp_path / "out")
    assert "no stars in any of the frames" in line
    assert "Check" in line
    assert names(tmp_path) == []


# Some bad files among good ones: left out, named, and the rest is stacked


def test_bad_files_among_good_ones(night: Path, tmp_path: Path) -> None:
    whole = (night / "night_0001.dng").read_bytes()
    (night / "cut.dng").write_bytes(whole[: len(whole) // 2])
    blank_end(Path(shutil.copy(night / "night_0001.dng", night / "damaged.dng")))
    (night / "nothing.dng").write_bytes(b"")
    (night / "text.dng").write_text("this is no picture\n")
    (night / "gone.dng").symlink_to(tmp_path / "gone")
    text = good("stack", night, "--out", tmp_path / "out")
    assert text.startswith("3 of ")
    found = reasons(tmp_path / "out")
    assert found == {
        "cut.dng": "cut short: the file ends before its picture does",
        "damaged.dng": "damaged: the end of its picture is blank",
        "gone.dng": "cannot be read: it does not exist",
        "nothing.dng": "empty file",
        "text.dng": "a text file, not a raw picture",
    }
    for name, reason in found.items():
        assert f"  {name}: {reason}\n" in text


def test_frames_of_another_size_or_camera(night: Path, tmp_path: Path) -> None:
    one_frame(night / "small.dng", replace(TINY, width=256, height=192))
    one_frame(night / "borrowed.dng", model="Pocket Three")
    one_frame(night / "other_layout.dng", replace(TINY, pattern="BGGR"))
    text = good("stack", night, "--out", tmp_path / "out")
    found = reasons(tmp_path / "out")
    assert found["small.dng"] == "another size: 256×192, the others are 320×240"
    assert found["borrowed.dng"] == (
        "another camera: Lanternfold Pocket Three, the others are from Lanternfold Pocket Two"
    )
    assert "Bayer pattern differs" in found["other_layout.dng"]
    assert len(found) == 3
    flat = " ".join(text.split())
    for words in (
        "other_layout.dng: its Bayer pattern differs",
        "borrowed.dng from 2026-10-13 20:41 UTC, another camera: Lanternfold Pocket Three",
        "small.dng from 2026-10-13 20:41 UTC, another size: 256×192; --session 3 stacks it",
    ):
        assert words in flat


def test_frames_without_stars_are_left_out(night: Path, starless: Path, tmp_path: Path) -> None:
    shutil.copy(starless / "night_0002.dng", night / "cloud.dng")
    (night / "night_0002.dng").unlink()
    text = good("stack", night, "--out", tmp_path / "out")
    assert "2 of 3 frames used: 16 s total exposure." in text
    found = reasons(tmp_path / "out")
    assert list(found) == ["cloud.dng"]
    assert "star" in found["cloud.dng"]
    assert "cloud" in found["cloud.dng"]


def test_one_frame_is_written_with_a_warning(night: Path, tmp_path: Path) -> None:
    text = good("stack", night / "night_0002.dng", "--out", tmp_path / "out")
    assert text.startswith("1 of 1 frame used: 8 s total exposure.")
    assert "Note: There is only one frame" in text
    assert names(tmp_path / "out") == RESULTS
    record = record_of(tmp_path / "out")
    assert len(record["warnings"]) == 1
    assert record["integration"]["noise_gain"] is None


def test_two_frames(night: Path, tmp_path: Path) -> None:
    (night / "night_0003.dng").unlink()
    text = good("stack", night, "--out", tmp_path / "out")
    assert text.startswith("2 of 2 frames used: 16 s total exposure.")
    assert "Note: With two frames" in text
    assert record_of(tmp_path / "out")["integration"]["frames"] == 2


# The disk and the person interrupt


def test_out_may_not_be_written_to(night: Path, ordinary_user: Any) -> None:
    folder, lowered = ordinary_user
    shutil.copytree(night, folder / "night")
    with lowered():
        line = fault(1, "stack", folder / "night", "--out", folder / "made")
    assert str(folder / "made") in line
    assert "no permission to write there" in line
    (folder / "there").mkdir(mode=0o555)
    with lowered():
        line = fault(1, "stack", folder / "night", "--out", folder / "there")
    assert str(folder / "there") in line
    assert "permission" in line.lower()
    assert names(folder) == ["night", "there"]


@pytest.mark.parametrize("target", corners(RESULTS, ["stack.tif", "run.json"]))
def test_the_disk_is_full_when_a_result_is_written(
    three: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begun: Begun, target: str
) -> None:
    out = begun(three, tmp_path / "out")
    settle = files._settle

    def full(path: Path) -> None:
        if target in path.name:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        settle(path)

    monkeypatch.setattr(files, "_settle", full)
    line = fault(1, "stack", three, "--out", out)
    assert f"{target}: the disk is full. Free some space, or name another place." in line
    left = names(out) if out.exists() else []
    assert target not in left
    assert "run.json" not in left
    assert not [name for name in left if name.startswith(".")]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 1.5 MB, where the system lets us have one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    options = ["-t", "tmpfs", "-o", "size=1500k", "tmpfs", str(folder)]
    if mount is None or subprocess.run([mount, *options], capture_output=True).returncode:
        pytest.skip("no small disk may be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("frames", [3, 24])
def test_a_disk_that_is_really_full(
    night: Path, small_disk: Path, frames: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 24 mosaics of 320×240 do not fit, 3 do, but then stack.fits does not.
    for k in range(4, frames + 1):
        copy_apart(night / "night_0001.dng", night / f"night_{k:04d}.dng")
    line = fault(1, "stack", night, "--out", small_disk / "out")
    assert f"There is too little room in {small_disk / 'out'}" in line
    assert names(small_disk) == []
    monkeypatch.setattr("stackkit.pipeline.check_room", lambda place, *_: place)
    line = fault(1, "stack", night, "--out", small_disk / "out")
    assert "the disk is full" in line
    assert ("stack.fits" in line) == (frames == 3)
    assert names(small_disk) == []


@pytest.mark.slow
def test_standard_output_that_cannot_be_written(three: Path, tmp_path: Path, begun: Begun) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("this system has no device that is always full")
    out = begun(three, tmp_path / "out")
    command = [*PROCESS, "stack", str(three), "--out", str(out)]
    with open("/dev/full", "w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert "No space left" in one_line(done.stderr)
    assert names(out) == RESULTS


@pytest.mark.slow
def test_ctrl_c_in_the_middle(small_night: Path, tmp_path: Path) -> None:
    folder, out = tmp_path / "night", tmp_path / "new" / "out"
    folder.mkdir()
    for k in range(8):
        copy_apart(small_night / f"night_{k % 6 + 1:04d}.dng", folder / f"{k}.dng")
    before = contents(folder)
    command = [*PROCESS, "stack", str(folder), "--out", str(out), "--jobs", "2"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        while process.poll() is None and not any(out.glob(".stackkit-scratch/*.light*")):
            time.sleep(0.002)
        process.send_signal(signal.SIGINT)
        said, err = process.communicate()
    assert process.returncode == 130
    assert said == ""
    assert "the same command goes on" in one_line(err)
    assert names(out) == [".stackkit-scratch"]
    assert contents(folder) == before
    good("stack", folder, "--out", out)
    assert names(out) == RESULTS


WRITERS = ("write_fits", "write_tiff", "write_png", "write_record")


@pytest.mark.parametrize("writer", corners(WRITERS, ["write_tiff", "write_record"]))
def test_ctrl_c_while_the_results_are_written(
    three: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begun: Begun, writer: str
) -> None:
    def interrupted(path: Path, *_: object) -> None:
        with files.replacing(path) as temporary:
            temporary.write_bytes(b"half")
            raise KeyboardInterrupt

    out = begun(three, tmp_path / "out")
    monkeypatch.setattr(write, writer, interrupted)
    outcome = run("stack", three, "--out", out)
    assert outcome.status == 130
    assert "Interrupted" in one_line(outcome.err)
    assert names(out) == [".stackkit-scratch"]
    assert names(out / ".stackkit-scratch")
    monkeypatch.undo()
    good("stack", three, "--out", out)
    assert names(out) == RESULTS


def test_too_little_memory(night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr("stackkit.integration.passes.first_stack", refuse)
    line = fault(1, "stack", night, "--out", tmp_path / "out")
    assert "not enough memory" in line
    assert names(tmp_path) == ["night"]


def test_a_fault_of_our_own_is_called_one(
    night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_down(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("stackkit.integration.passes.first_stack", break_down)
    outcome = run("stack", night, "--out", tmp_path / "out")
    assert outcome.status == 1
    assert "Traceback" in outcome.err
    assert "a fault in stackkit itself" in outcome.err
    assert names(tmp_path) == ["night"]


def test_a_command_that_is_misspelled() -> None:
    assert "Did you mean stack?" in fault(2, "stakc", "x")
    assert "No such command" in fault(2, "frobnicate", "x")
