"""Walking folders: odd names, links and loops, what cannot be read, results of earlier runs."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from sessions import scan
from test_grouping import fault, put, reasons

from stackkit.calibration.frames import within
from stackkit.run.files import COMPARISON, FILES, MOVING
from stackkit.session.discover import files_in
from stackkit.session.grouping import Role


def found(*paths: Path, besides: tuple[Path, ...] = ()) -> list[str]:
    return [file.name for file in files_in(paths, lambda _: False, besides)]


def touch(path: Path, data: bytes = b"x") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


ODD = [
    "a frame.dng",
    "Nacht über Öland.dng",
    "Nacht u\u0308ber O\u0308land 2.dng",  # the same letters, decomposed (Unicode form D)
    "📷🌌.dng",
    "-rf.dng",
    "--out.dng",
    "tab\tand\nline.dng",
    "(1) [x] {y} *?.dng",
    "n" * 196 + ".dng",
    "DCIM/100 APPLE/-x/IMG.dng",
    os.fsdecode(b"latin-\xfc.dng"),
]


def test_odd_names_at_any_depth(tmp_path: Path) -> None:
    for k, name in enumerate(ODD):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        put(tmp_path / name, 20.0 * k)
    session = scan([tmp_path])
    assert [frame.name for frame in session.lights] == ODD


def test_what_is_hidden_is_passed_over(tmp_path: Path) -> None:
    for name in ("a", ".b", ".c/d", "e/.f", "e/g"):
        touch(tmp_path / name)
    assert found(tmp_path) == ["a", "e/g"]


def test_links_are_followed_once_and_never_upwards(tmp_path: Path) -> None:
    night, disk = tmp_path / "night", tmp_path / "other disk"
    touch(tmp_path / "not ours")
    touch(night / "in" / "a")
    touch(disk / "b")
    for link, target in (
        ("in/self", night),
        ("in/up", tmp_path),
        ("top", Path("/")),
        ("card", disk),
        ("card again", disk),
        ("1 in", night / "in"),  # before the folder itself, by name
        ("loop", night / "loop"),
        ("gone", tmp_path / "gone"),
    ):
        (night / link).symlink_to(target)
    (disk / "back").symlink_to(night)
    assert found(night) == ["gone", "loop", "in/a", "card/b"]


def test_names_tell_files_apart(tmp_path: Path) -> None:
    for name in ("one/a", "two/a", "three/two/a"):
        touch(tmp_path / name)
    assert found(tmp_path / "one", tmp_path / "two") == ["one/a", "two/a"]
    assert found(tmp_path / "two", tmp_path / "three" / "two") == [
        str(tmp_path / "two" / "a"),
        str(tmp_path / "three" / "two" / "a"),
    ]
    assert found(tmp_path / "one" / "a") == ["a"]


def test_what_is_named_as_masters_is_no_light(tmp_path: Path) -> None:
    for name in ("a", "cold/b", "cold/deep/c", "master"):
        touch(tmp_path / name)
    assert found(tmp_path, besides=(tmp_path / "cold", tmp_path / "master")) == ["a"]
    put(tmp_path / "a", 0.0)
    put(tmp_path / "cold" / "b", 20.0)
    assert [f.name for f in scan([tmp_path], besides=[tmp_path / "cold"]).lights] == ["a"]


def test_calibration_folders_at_any_depth_are_no_lights(tmp_path: Path) -> None:
    for name in ("a.dng", "first/b.dng", "first/Dark Frames/c.dng", "first/flats/deeper/d.dng"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        put(tmp_path / name, 0.0 if name == "a.dng" else 20.0)
    assert [frame.name for frame in scan([tmp_path]).lights] == ["a.dng", "first/b.dng"]
    frames, left_out = within([tmp_path])
    assert [frame.path for frame in frames] == [tmp_path / "first" / "Dark Frames" / "c.dng"]
    assert left_out == []


@pytest.mark.parametrize("record", [FILES["record"], COMPARISON[0]])
def test_our_own_results_are_passed_over(tmp_path: Path, record: str) -> None:
    ours = [*FILES.values()] if record == FILES["record"] else ["compare.json", "compare.html"]
    for place in (tmp_path, tmp_path / "out"):
        for name in ours:
            touch(place / name)
        touch(place / "mine.tif")
        (place / record).write_text(json.dumps({"schema": "stackkit-run/3"}, indent=1))
    assert found(tmp_path) == ["mine.tif", "out/mine.tif"]


def test_another_program_s_files_are_told(tmp_path: Path) -> None:
    for name in FILES.values():
        touch(tmp_path / name)
    (tmp_path / "run.json").write_text(json.dumps({"speed": 3}))
    assert found(tmp_path) == sorted(FILES.values())
    touch(tmp_path / MOVING)  # a run was killed while it moved its results here
    touch(tmp_path / "a")
    assert found(tmp_path) == ["a"]


def test_a_pipe_that_calls_itself_a_record_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "run.json")
    put(tmp_path / "a.dng", 0.0)
    os.mkfifo(tmp_path / "b.dng")
    assert reasons(tmp_path)["b.dng"] == "a pipe, socket or device, not a file"


def test_a_folder_that_cannot_be_read_is_told(ordinary_user) -> None:
    folder, lowered = ordinary_user
    put(folder / "a.dng", 0.0)
    for k, name in enumerate(("closed", "open"), 1):
        (folder / name).mkdir()
        put(folder / name / "b.dng", 20.0 * k)
    (folder / "closed").chmod(0)
    with lowered():
        told = reasons(folder)
    assert told == {
        "a.dng": "",
        "open/b.dng": "",
        "closed/": "cannot be read: permission denied",
    }


def test_nothing_in_any_of_the_folders(tmp_path: Path) -> None:
    (tmp_path / "night" / "deep").mkdir(parents=True)
    assert "nor do the folders in it" in fault(tmp_path)


def test_two_thousand_small_files_are_no_pictures(tmp_path: Path) -> None:
    for k in range(2000):
        (tmp_path / f"{k}.xmp").write_text("<x/>")
    put(tmp_path / "a.dng", 0.0)
    session = scan([tmp_path])
    assert len(session.lights) == 1
    others = [frame.reason for frame in session.frames if frame.role is Role.OTHER]
    assert others == ["a text file, not a raw picture"] * 2000
