"""``stackkit masters`` from outside: what it finds, writes, says and refuses."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from command_line import TINY, blank_end, contents, fault, good, names, one_frame

from stackkit.calibration.master_file import read_master
from stackkit.session.folder_kinds import Kind
from stackkit.simulate import Calibration, Night, write_calibration

CAMERA = "lanternfold-pocket-two_96x64"
SMALL = Night(seed=4, width=96, height=64, focal=65.0)


def taken(folder: Path, kind: Calibration, count: int, **changes: object) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    return write_calibration(replace(SMALL, **changes), folder, kind, count)  # type: ignore[arg-type]


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A folder of a night with darks, dark-flats, flats and biases in folders of their own."""
    folder = tmp_path / "night"
    taken(folder / "Darks", Calibration.DARK, 3)
    taken(folder / "dark_flats", Calibration.DARK, 2, exposure=0.02)
    taken(folder / "flat", Calibration.FLAT, 3)
    taken(folder / "Offsets", Calibration.BIAS, 2)
    (folder / "lights").mkdir()
    return folder


def test_each_setting_becomes_one_master(night: Path, tmp_path: Path) -> None:
    before = {p.name: contents(p) for p in night.iterdir()}
    text = good("masters", night, "--out", tmp_path / "out")
    made = {
        f"bias_{CAMERA}_iso3200.fits": (Kind.BIAS, 2),
        f"dark_{CAMERA}_iso3200_0.02s.fits": (Kind.DARK, 2),
        f"dark_{CAMERA}_iso3200_8s.fits": (Kind.DARK, 3),
        f"flat_{CAMERA}.fits": (Kind.FLAT, 3),
    }
    assert names(tmp_path / "out") == sorted(made)
    for name, what in made.items():
        master = read_master(tmp_path / "out" / name)
        assert (master.kind, master.count) == what
        assert master.size == (96, 64)
        assert name in text
    assert "dark of 8 s at ISO 3200 (3 frames)" in text
    assert "Not used" not in text
    assert {p.name: contents(p) for p in night.iterdir()} == before


def test_a_folder_of_one_kind_by_name_or_as_said(night: Path, tmp_path: Path) -> None:
    good("masters", night / "Darks", "--out", tmp_path / "a")
    (night / "Darks").rename(night / "2026-10-13")
    good("masters", night / "2026-10-13", "--kind", "dark", "--out", tmp_path / "b")
    assert names(tmp_path / "a") == names(tmp_path / "b") == [f"dark_{CAMERA}_iso3200_8s.fits"]
    a, b = (tmp_path / d / names(tmp_path / "a")[0] for d in "ab")
    assert a.read_bytes() == b.read_bytes()


def test_settings_are_kept_apart(tmp_path: Path) -> None:
    folder = tmp_path / "darks"
    taken(folder, Calibration.DARK, 2)
    for path in taken(tmp_path / "more", Calibration.DARK, 2, iso=800, exposure=15.0):
        shutil.move(path, folder / f"other_{path.name}")
    good("masters", folder, "--out", tmp_path / "out")
    assert names(tmp_path / "out") == [
        f"dark_{CAMERA}_iso3200_8s.fits",
        f"dark_{CAMERA}_iso800_15s.fits",
    ]


def test_frames_of_no_use_are_named_and_left_out(night: Path, tmp_path: Path) -> None:
    one_frame(night / "Darks/uncovered.dng")
    (night / "flat/notes.txt").write_text("Flats of Tuesday")
    blank_end(night / "flat/flat_0001.dng")
    text = good("masters", night, "--out", tmp_path / "out")
    words = " ".join(text.split())
    assert "Not used:" in words
    assert "Darks/uncovered.dng:" in words
    assert "flat/notes.txt: a text file, not a raw picture" in words
    assert "flat/flat_0001.dng: damaged" in words
    assert read_master(tmp_path / f"out/flat_{CAMERA}.fits").count == 2


def test_nothing_usable_leaves_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "darks"
    folder.mkdir()
    one_frame(folder / "uncovered.dng", replace(TINY, sky_rate=12.0))
    line = fault(1, "masters", folder, "--out", tmp_path / "new/out")
    assert "No master could be made (uncovered.dng: light is in it" in line
    assert not (tmp_path / "new").exists()


def test_masters_that_are_there_stay(night: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    good("masters", night, "--out", out)
    before = contents(out)
    line = fault(2, "masters", night, "--out", out)
    assert "already has bias_" in line
    assert "--force" in line
    assert contents(out) == before
    good("masters", night, "--out", out, "--force")
    assert {n: c[0] for n, c in contents(out).items()} == {n: c[0] for n, c in before.items()}


def test_flats_without_offset_say_so(night: Path, tmp_path: Path) -> None:
    text = good("masters", night / "flat", "--out", tmp_path / "out")
    assert "only the files' black level was taken off them" in " ".join(text.split())


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("nowhere",), 1, "There is no folder"),
        (("empty",), 1, "There are no darks, flats or biases in"),
        (("file.txt",), 1, "is a file. Give the folder"),
        (("empty", "--kind", "light"), 2, "--kind"),
    ],
)
def test_folders_of_no_use(
    arguments: tuple[str, ...], status: int, words: str, tmp_path: Path
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file.txt").write_text("hello")
    place, *rest = arguments
    assert words in fault(status, "masters", tmp_path / place, *rest, "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_help_begins_with_what_it_is_for() -> None:
    text = good("masters", "--help")
    assert text.lstrip().startswith("Average darks, flats and biases")
    assert "Example: stackkit masters my_night --out my_masters" in text
