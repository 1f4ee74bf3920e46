"""Copies, whole and broken off, against hashlib and the bytes themselves."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
from test_grouping import START, TAGS, put, reasons, write_jpeg

from stackkit.output.dng import mosaic_dng
from stackkit.session.duplicates import broken_off, same_files


def files(folder: Path, **contents: bytes) -> list[Path]:
    for name, data in contents.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in contents]


def noise(seed: int, size: int) -> bytes:
    return np.random.default_rng(seed).bytes(size)


def test_the_same_bytes_are_found_as_by_their_digests(tmp_path: Path) -> None:
    """SHA-256 of the whole files by the standard library says which are the same."""
    start, end = noise(1, 40_000), noise(2, 40_000)
    paths = files(
        tmp_path,
        a=start + end,
        b=start + noise(3, 10) + end[10:],  # equal size, start and end
        c=start + end,
        d=start + end + b"x",
        e=b"",
        f=b"",
        g=start + noise(3, 10) + end[10:],
        h=end + start,
    )
    digests = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}
    first = {digest: path for path, digest in reversed(digests.items())}
    wanted = {path: first[d] for path, d in digests.items() if first[d] != path}
    assert same_files(paths) == wanted
    assert len(wanted) == 3


def test_links_are_the_same_file(tmp_path: Path) -> None:
    (path,) = files(tmp_path, a=noise(1, 100))
    os.link(path, tmp_path / "hard")
    (tmp_path / "soft").symlink_to(path)
    every = [path, tmp_path / "hard", tmp_path / "soft", tmp_path / "gone"]
    assert same_files(every) == {tmp_path / "hard": path, tmp_path / "soft": path}


def test_only_files_of_one_size_are_read(tmp_path: Path, monkeypatch) -> None:
    paths = files(tmp_path, a=b"1", b=b"22", c=b"333", d=b"444")
    read = []
    opened = Path.open
    monkeypatch.setattr(
        Path, "open", lambda self, *mode: read.append(self.name) or opened(self, *mode)
    )
    assert same_files(paths) == {}
    assert set(read) == {"c", "d"}


def test_what_is_broken_off(tmp_path: Path) -> None:
    whole = noise(1, 100_000)
    a, b, short, middle, long, changed, twin = files(
        tmp_path,
        a=whole,
        b=whole[:20_000] + noise(2, 70_000),
        short=whole[:5],
        middle=whole[:20_001],
        long=whole[:99_999],
        changed=whole[:50_000] + b"y",
        twin=whole[:16_384],
    )
    assert broken_off([short, middle, long, changed], [a, long]) == dict.fromkeys(
        (short, middle, long), a
    )
    assert broken_off([twin, short], [a, b]) == {}  # of which of the two?
    assert broken_off([a, b], [a, b]) == {}


def picture(path: Path, seconds: float) -> bytes:
    """A file of its own picture, as no camera writes the same noise twice."""
    codes = np.random.default_rng(int(seconds)).integers(60, 140, (96, 128)).astype(np.uint16)
    path.write_bytes(mosaic_dng(codes, replace(TAGS, start=START + timedelta(seconds=seconds))))
    return path.read_bytes()


def test_copies_in_a_folder_are_told(tmp_path: Path) -> None:
    whole = picture(tmp_path / "IMG_2.dng", 0.0)
    picture(tmp_path / "IMG_10.dng", 20.0)
    (tmp_path / "backup").mkdir()
    (tmp_path / "backup" / "A.dng").write_bytes(whole)
    (tmp_path / "copy of IMG_2.dng").write_bytes(whole)
    (tmp_path / "IMG_3.dng").write_bytes(whole[:-20])
    (tmp_path / "IMG_4.dng").write_bytes(whole[:4])
    assert reasons(tmp_path) == {
        "IMG_2.dng": "",
        "IMG_10.dng": "",
        "backup/A.dng": "the same file as IMG_2.dng",
        "copy of IMG_2.dng": "the same file as IMG_2.dng",
        "IMG_3.dng": "a broken-off copy of IMG_2.dng",
        # So much is the same in all files of this camera.
        "IMG_4.dng": "cut short: the file ends before its picture does",
    }


def test_a_cut_file_without_its_whole_is_no_copy(tmp_path: Path) -> None:
    whole = picture(tmp_path / "a.dng", 0.0)
    picture(tmp_path / "b.dng", 20.0)
    (tmp_path / "a.dng").write_bytes(whole[:-20])
    assert "copy" not in reasons(tmp_path)["a.dng"]


def test_jpeg_siblings(tmp_path: Path) -> None:
    put(tmp_path / "IMG_1.dng", 0.0)
    put(tmp_path / "IMG_2.dng", 20.0)
    (tmp_path / "jpg").mkdir()
    write_jpeg(tmp_path / "IMG_1.JPG", 10)
    write_jpeg(tmp_path / "jpg" / "img_2.jpg", 20)
    write_jpeg(tmp_path / "holiday.jpg", 30)
    assert reasons(tmp_path) == {
        "IMG_1.dng": "",
        "IMG_2.dng": "",
        "IMG_1.JPG": "a JPEG picture, not a raw one: IMG_1.dng is its raw",
        "jpg/img_2.jpg": "a JPEG picture, not a raw one: IMG_2.dng is its raw",
        "holiday.jpg": "a JPEG picture, not a raw one",
    }
