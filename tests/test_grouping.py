"""Which files of a folder make the session, and in what order."""

from __future__ import annotations

import os
import shutil
import socket
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile
from sessions import scan

from stackkit.errors import InputError
from stackkit.output.dng import MosaicTags, mosaic_dng
from stackkit.raw.decode import Form
from stackkit.session.grouping import Role

START = datetime(2026, 10, 13, 20, 41, 7, tzinfo=UTC)
TAGS = MosaicTags(
    pattern="RGGB",
    black=(64.0,) * 4,
    white=4095,
    make="Lanternfold",
    model="Pocket Two",
    neutral=(0.5, 1.0, 0.66),
    exposure=8.0,
    iso=3200,
    f_number=1.8,
    focal_mm=4.72,
    focal_35mm=23,
    start=START,
)


def put(
    path: Path, seconds: float | None = None, size: tuple[int, int] = (64, 48), **changes: Any
) -> Path:
    """A small raw file that began ``seconds`` into the session, or does not say when."""
    start = None if seconds is None else START + timedelta(seconds=seconds)
    codes = np.full(size[::-1], 100, np.uint16)
    path.write_bytes(mosaic_dng(codes, replace(TAGS, start=start, **changes)))
    return path


def names(folder: Path) -> list[str]:
    return [frame.name for frame in scan([folder]).frames]


def reasons(folder: Path) -> dict[str, str]:
    return {frame.name: frame.reason for frame in scan([folder]).frames}


def fault(*paths: Path) -> str:
    with pytest.raises(InputError) as caught:
        scan(paths)
    text = str(caught.value)
    assert "\n" not in text
    assert "Error" not in text
    return text


def test_a_simulated_night(small_night: Path) -> None:
    session = scan([small_night])
    assert [f.path.name for f in session.lights] == [f"night_{k:04d}.dng" for k in range(1, 7)]
    assert [f.size for f in session.lights] == [(320, 240)] * 6
    times = [f.metadata.time for f in session.lights]
    # The simulator: 8 s exposures every 20 s from 20:41:07.25.
    first = datetime(2026, 10, 13, 20, 41, 11, 250000, tzinfo=UTC)
    assert times == [first + k * timedelta(seconds=20) for k in range(6)]
    truth = session.frames[-1]
    assert (truth.path.name, truth.role) == ("truth.json", Role.OTHER)
    assert truth.reason == "a text file, not a raw picture"
    assert truth.size is None


def test_nothing_is_unpacked_and_nothing_written(
    small_night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Guarded(rawpy.RawPy):  # type: ignore[misc]
        def unpack(self) -> None:
            raise AssertionError("unpacked")

    before = {path: path.stat() for path in small_night.iterdir()}
    monkeypatch.setattr(rawpy, "RawPy", Guarded)
    assert len(scan([small_night]).lights) == 6
    assert {path: path.stat() for path in small_night.iterdir()} == before


def test_order_by_time_to_the_fraction_of_a_second(tmp_path: Path) -> None:
    for name, seconds in (("c", 0.0), ("a", 0.75), ("d", 0.25), ("b", 20.0)):
        put(tmp_path / f"{name}.dng", seconds)
    assert names(tmp_path) == ["c.dng", "d.dng", "a.dng", "b.dng"]


def test_order_is_that_of_mid_exposure(tmp_path: Path) -> None:
    put(tmp_path / "long.dng", 0.0, exposure=30.0)
    put(tmp_path / "short.dng", 5.0, exposure=1.0)
    assert names(tmp_path) == ["short.dng", "long.dng"]


def test_natural_order_where_a_time_is_missing(tmp_path: Path) -> None:
    for number, seconds in ((10, 0.0), (2, 20.0), (1, None), (100, 40.0)):
        put(tmp_path / f"night_{number}.dng", seconds)
    wanted = ["night_1.dng", "night_2.dng", "night_10.dng", "night_100.dng"]
    assert names(tmp_path) == wanted
    session = scan([tmp_path / name for name in reversed(wanted)])
    assert [frame.path.name for frame in session.frames] == wanted


def test_equal_times_are_ordered_by_name(tmp_path: Path) -> None:
    for iso, name in enumerate(("n12.dng", "n3.dng", "N7.DNG", "n٣.dng", "n²"), 100):
        put(tmp_path / name, 0.0, iso=iso)
    assert names(tmp_path) == ["n3.dng", "N7.DNG", "n12.dng", "n²", "n٣.dng"]


def test_raws_are_known_by_content(tmp_path: Path) -> None:
    put(tmp_path / "IMG_1", 0.0)
    put(tmp_path / "IMG_2.jpg", 20.0)
    (tmp_path / "IMG_3.dng").write_bytes(imagecodecs.jpeg_encode(np.zeros((16, 16), np.uint8)))
    session = scan([tmp_path])
    assert [frame.path.name for frame in session.lights] == ["IMG_1", "IMG_2.jpg"]
    assert session.frames[2].reason.startswith("a JPEG picture")


def test_every_other_file_has_a_reason(tmp_path: Path, codes: np.ndarray) -> None:
    put(tmp_path / "b.dng", 0.0)
    whole = put(tmp_path / "d.dng", 20.0).read_bytes()
    (tmp_path / "cut.dng").write_bytes(whole[:100])
    (tmp_path / "empty.dng").touch()
    (tmp_path / "noise.dng").write_bytes(bytes(100))
    (tmp_path / "note.dng").write_text("the server said no")
    tifffile.imwrite(tmp_path / "picture.tif", np.stack([codes] * 3, -1), photometric="rgb")
    (tmp_path / ".hidden.dng").touch()
    (tmp_path / "folder").mkdir()
    put(tmp_path / "folder" / "inside.dng", 40.0)
    assert reasons(tmp_path) == {
        "b.dng": "",
        "d.dng": "",
        "folder/inside.dng": "",
        "cut.dng": "cut short: the file ends before its picture does",
        "empty.dng": "empty file",
        "noise.dng": "not a raw picture",
        "note.dng": "a text file, not a raw picture",
        "picture.tif": "a TIFF picture, not a raw one",
    }
    assert names(tmp_path)[:4] == ["b.dng", "d.dng", "folder/inside.dng", "cut.dng"]


def test_another_size_or_camera_is_left_out(tmp_path: Path) -> None:
    put(tmp_path / "a.dng", 0.0, size=(80, 48))
    put(tmp_path / "b.dng", 20.0)
    put(tmp_path / "c.dng", 40.0, model="Pocket One")
    put(tmp_path / "d.dng", 60.0, exposure=2.0)  # another exposure stays
    session = scan([tmp_path])
    assert [frame.path.name for frame in session.frames] == ["b.dng", "d.dng", "a.dng", "c.dng"]
    assert [frame.role for frame in session.frames] == [Role.LIGHT] * 2 + [Role.OTHER] * 2
    size, camera = (frame.reason for frame in session.frames[2:])
    assert size == "another size: 80×48, the others are 64×48"
    assert camera == (
        "another camera: Lanternfold Pocket One, the others are from Lanternfold Pocket Two"
    )
    assert session.frames[2].metadata.exposure == 8.0


def test_of_equal_groups_the_earlier_counts(tmp_path: Path) -> None:
    for name, seconds, size in (("a", 60, 64), ("b", 40, 64), ("y", 20, 80), ("z", 0, 80)):
        put(tmp_path / f"{name}.dng", seconds, size=(size, 48))
    assert [frame.path.name for frame in scan([tmp_path]).lights] == ["z.dng", "y.dng"]


def test_a_stranger_without_time_does_not_spoil_the_order(tmp_path: Path) -> None:
    put(tmp_path / "a.dng", 20.0)
    put(tmp_path / "b.dng", 0.0)
    put(tmp_path / "c.dng", None, size=(80, 48))
    assert names(tmp_path) == ["b.dng", "a.dng", "c.dng"]


def test_orientation_does_not_make_another_size(tmp_path: Path) -> None:
    put(tmp_path / "a.dng", 0.0)
    put(tmp_path / "b.dng", 20.0, orientation=6)
    lights = scan([tmp_path]).lights
    assert [frame.metadata.orientation for frame in lights] == [1, 6]
    assert [frame.size for frame in lights] == [(64, 48)] * 2


def test_several_paths_and_each_file_once(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.mkdir()
    two.mkdir()
    first, second = put(one / "a.dng", 0.0), put(two / "a.dng", 20.0)
    session = scan([two, one, first, tmp_path / "one" / ".." / "one" / "a.dng"])
    assert [frame.path for frame in session.frames] == [first, second]


def test_links(tmp_path: Path) -> None:
    night = tmp_path / "night"
    night.mkdir()
    put(night / "a.dng", 0.0)
    elsewhere = put(tmp_path / "b.dng", 20.0)
    (night / "b.dng").symlink_to(elsewhere)
    (night / "copy.dng").symlink_to(night / "a.dng")
    (night / "gone.dng").symlink_to(tmp_path / "none.dng")
    (night / "loop.dng").symlink_to(night / "loop.dng")
    (night / "self").symlink_to(night)
    assert reasons(night) == {
        "a.dng": "",
        "b.dng": "",
        "copy.dng": "the same file as a.dng",
        "gone.dng": "cannot be read: it does not exist",
        "loop.dng": "cannot be read: the link leads back to itself",
    }


def test_pipes_and_sockets_are_never_opened(tmp_path: Path) -> None:
    put(tmp_path / "a.dng", 0.0)
    os.mkfifo(tmp_path / "pipe.dng")  # opening it would wait for ever
    with socket.socket(socket.AF_UNIX) as plug:
        here = os.open(".", os.O_RDONLY)
        os.chdir(tmp_path)  # a socket's name must be short
        try:
            plug.bind("plug")
        finally:
            os.fchdir(here)
            os.close(here)
        found = reasons(tmp_path)
    assert found["pipe.dng"] == found["plug"] == "a pipe, socket or device, not a file"


def test_nothing_there(tmp_path: Path) -> None:
    assert f"There is no folder or file {tmp_path / 'none'}" in fault(tmp_path / "none")
    assert "is empty" in fault(tmp_path)
    (tmp_path / "night").mkdir()
    assert "holds no files of its own" in fault(tmp_path)
    (tmp_path / ".hidden.dng").touch()
    assert "holds no files of its own" in fault(tmp_path)
    with pytest.raises(InputError):
        scan([])


def test_no_raw_files_says_what_was_found(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("clear until two")
    for name in ("p1.jpg", "p2.jpg", "p10.jpg"):
        (tmp_path / name).write_bytes(b"\xff\xd8\xff\xe0" + bytes(50))
    text = fault(tmp_path)
    assert str(tmp_path) in text
    assert "notes.txt (a text file, not a raw picture)" in text
    assert "p1.jpg and 2 more (a JPEG picture, damaged" in text


def test_a_single_file(tmp_path: Path) -> None:
    path = put(tmp_path / "a.dng", 0.0)
    assert [frame.path for frame in scan([path]).lights] == [path]
    path.write_bytes(b"")
    assert "empty file" in fault(path)


def test_permission(
    ordinary_user: tuple[Path, Callable[[], AbstractContextManager[None]]],
) -> None:
    folder, lowered = ordinary_user
    put(folder / "a.dng", 0.0)
    put(folder / "b.dng", 20.0).chmod(0)
    with lowered():
        assert reasons(folder) == {"a.dng": "", "b.dng": "cannot be read: permission denied"}
    folder.chmod(0)
    try:
        with lowered():
            assert f"Cannot read {folder}: permission denied" in fault(folder)
    finally:
        folder.chmod(0o755)


def test_the_same_whatever_the_disks_order(
    tmp_path: Path, small_night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "night"
    shutil.copytree(small_night, folder)
    put(folder / "zzz.dng", 0.0)
    (folder / "empty").touch()
    expected = scan([folder])
    order = os.scandir

    @contextmanager
    def backwards(place: Path) -> Iterator[list[os.DirEntry[str]]]:
        with order(place) as entries:
            yield sorted(entries, key=lambda entry: entry.name, reverse=True)

    monkeypatch.setattr(os, "scandir", backwards)
    assert scan([folder]) == expected


def write_jpeg(path: Path, grey: int = 90) -> None:
    path.write_bytes(imagecodecs.jpeg_encode(np.full((48, 64, 3), grey, np.uint8)))


def test_pictures_serve_only_where_nothing_is_more_raw(tmp_path: Path) -> None:
    for number in (1, 2, 3):
        write_jpeg(tmp_path / f"IMG_{number}.jpg", 90 + number)
    session = scan([tmp_path])
    assert [frame.path.name for frame in session.lights] == [f"IMG_{k}.jpg" for k in (1, 2, 3)]
    assert {frame.form for frame in session.lights} == {Form.PICTURE}
    put(tmp_path / "IMG_1.dng", 0.0)
    session = scan([tmp_path])
    assert [frame.path.name for frame in session.lights] == ["IMG_1.dng"]
    assert session.frames[1].reason == "a JPEG picture, not a raw one: IMG_1.dng is its raw"
    assert session.frames[2].reason == "a JPEG picture, not a raw one"
