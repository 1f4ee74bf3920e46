"""``stackkit simulate`` from outside: the files it writes, and what it refuses."""

from __future__ import annotations

import json
import shlex
import signal
import subprocess
import time
from datetime import datetime
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from command_line import PROCESS, contents, fault, good, names, one_line

from stackkit.simulate import Night, scenes


@pytest.fixture(autouse=True)
def few_stars(monkeypatch: pytest.MonkeyPatch) -> None:
    """Skies with bright stars only: drawing the faint ones takes most of the time."""
    monkeypatch.setattr(scenes, "Night", partial(Night, faintest=6.5))


SMALL = ("--width", "96", "--height", "64", "--frames", "2")


def test_frames_and_the_truth(tmp_path: Path) -> None:
    out = tmp_path / "night"
    text = good("simulate", out, *SMALL)
    assert names(out) == ["night_0001.dng", "night_0002.dng", "truth.json"]
    assert f"2 frames and truth.json written to {out}." in text
    assert f"Try: stackkit stack {out} --out result" in text
    # LibRaw and tifffile as two readers that know nothing of the writer.
    for path in sorted(out.glob("*.dng")):
        with rawpy.imread(str(path)) as raw:
            assert raw.raw_image_visible.shape == (64, 96)
        with tifffile.TiffFile(path) as tiff:
            assert tiff.pages.first.shape == (64, 96)


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    runs = [("a", "7"), ("b", "7"), ("c", "8")]
    for name, seed in runs:
        good("simulate", tmp_path / name, *SMALL, "--seed", seed)
    a, b, c = ({k: v[0] for k, v in contents(tmp_path / name).items()} for name, _ in runs)
    assert a == b
    assert all(a[name] != c[name] for name in a)


def test_the_truth_knows_the_answer(tmp_path: Path) -> None:
    good("simulate", tmp_path, *SMALL, "--exposure", "4", "--cadence", "30", "--seed", "5")
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert truth["schema"] == "stackkit-truth/1"
    said = {"seed": 5, "frames": 2, "width": 96, "height": 64, "exposure": 4.0, "cadence": 30.0}
    assert {key: truth["night"][key] for key in said} == said
    assert datetime.fromisoformat(truth["night"]["start"]).utcoffset() is not None
    assert [frame["file"] for frame in truth["frames"]] == ["night_0001.dng", "night_0002.dng"]
    assert [frame["mid_time_s"] for frame in truth["frames"]] == [2.0, 32.0]
    # One turn takes 86164.0905 s (IAU): so far the sky turns in the 30 s between the frames.
    turn = np.array(truth["frames"][1]["rotation_from_first"])
    assert np.arccos((np.trace(turn) - 1) / 2) == pytest.approx(
        2 * np.pi * 30 / 86164.0905, rel=1e-6
    )
    hot = truth["hot_pixels"]
    assert len(hot["x"]) == len(hot["y"]) == len(hot["electrons"]) > 0


def test_stars_and_hot_pixels_are_where_the_truth_says(tmp_path: Path) -> None:
    good("simulate", tmp_path, "--width", "320", "--height", "240", "--frames", "1")
    truth = json.loads((tmp_path / "truth.json").read_text())
    with rawpy.imread(str(tmp_path / "night_0001.dng")) as raw:
        codes = raw.raw_image_visible.astype(int)
    hot = truth["hot_pixels"]
    strong = np.array(hot["electrons"]) > 200
    x, y = np.array(hot["x"])[strong], np.array(hot["y"])[strong]
    usual = np.median(codes)
    assert strong.sum() >= 3
    assert (codes[y, x] > usual + 60).all()
    bright = np.rint(np.array(truth["frames"][0]["stars"]["xy"][:10])).astype(int)
    inside = bright[(bright > 2).all(axis=1) & (bright < [317, 237]).all(axis=1)]
    peaks = [codes[y - 1 : y + 2, x - 1 : x + 2].max() for x, y in inside]
    assert len(peaks) >= 5
    assert min(peaks) > usual + 100


@pytest.mark.parametrize("scene", ["wide", "horizon", "town", "rough"])
def test_scenes(tmp_path: Path, scene: str) -> None:
    good("simulate", tmp_path / scene, *SMALL, "--scene", scene)
    assert len(names(tmp_path / scene)) == 3


def test_an_odd_height_becomes_even(tmp_path: Path) -> None:
    good("simulate", tmp_path, "--width", "97", "--height", "65", "--frames", "1")
    with rawpy.imread(str(tmp_path / "night_0001.dng")) as raw:
        assert raw.raw_image_visible.shape == (64, 97)


def test_the_advice_can_be_typed(tmp_path: Path) -> None:
    out = tmp_path / "a night's rest"
    advice = good("simulate", out, *SMALL).splitlines()[-1].removeprefix("Try: ")
    assert shlex.split(advice)[:3] == ["stackkit", "stack", str(out)]


def test_frames_are_replaced_only_by_force(tmp_path: Path) -> None:
    good("simulate", tmp_path, *SMALL, "--seed", "1")
    before = contents(tmp_path)
    line = fault(2, "simulate", tmp_path, *SMALL, "--seed", "2")
    assert str(tmp_path) in line
    assert "--force" in line
    assert contents(tmp_path) == before
    good("simulate", tmp_path, *SMALL, "--seed", "2", "--force")
    after = contents(tmp_path)
    assert sorted(after) == sorted(before)
    assert all(after[name][0] != before[name][0] for name in before)


@pytest.mark.parametrize("name", ["night_0003.dng", "IMG_1.DNG"])
def test_nights_are_never_mixed(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"somebody's frame")
    for force in ((), ("--force",)):
        line = fault(2, "simulate", tmp_path, *SMALL, *force)
        assert name in line
        assert "Choose another folder" in line
    assert names(tmp_path) == [name]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--scene", "moon"), "'moon' is not one of 'wide', 'horizon', 'town', 'rough'"),
        (("--frames", "0"), "--frames"),
        (("--frames", "many"), "'many' is not a valid whole number"),
        (("--width", "8"), "--width"),
        (("--height", "1e3"), "'1e3' is not a valid whole number"),
        (("--seed", "-1"), "--seed"),
        (("--exposure", "nan"), "'nan' is not a number of seconds"),
        (("--cadence", "nan"), "'nan' is not a number of seconds"),
        (("--cadence", "inf"), "--cadence"),
        (("--exposure", "0"), "--exposure"),
        (("--exposure", "30"), "A frame of 30 s cannot begin every 20 s: raise --cadence."),
        (("--bogus",), "--bogus"),
    ],
)
def test_wrong_usage(tmp_path: Path, options: tuple[str, ...], words: str) -> None:
    assert words in fault(2, "simulate", tmp_path / "night", *options)
    assert names(tmp_path) == []


def test_out_must_have_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert "Missing argument 'OUT'" in fault(2, "simulate")
    assert "the name is empty" in fault(2, "simulate", "")
    assert names(tmp_path) == []


def test_out_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    assert "is a file" in fault(2, "simulate", tmp_path / "file", *SMALL)
    assert (tmp_path / "file").read_text() == "mine"


def test_out_may_not_be_written_to(ordinary_user) -> None:
    folder, lowered = ordinary_user
    with lowered():
        line = fault(1, "simulate", folder / "night", *SMALL)
    assert "no permission" in line
    assert names(folder) == []


@pytest.mark.slow
def test_ctrl_c_in_the_middle(tmp_path: Path) -> None:
    out = tmp_path / "night"
    command = [*PROCESS, "simulate", str(out), *SMALL[:4], "--frames", "2000"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        while process.poll() is None and not any(out.glob("night_*.dng")):
            time.sleep(0.002)
        process.send_signal(signal.SIGINT)
        said, err = process.communicate()
    assert (process.returncode, said) == (130, "")
    assert "Interrupted" in one_line(err)
    left = names(out)
    assert left == [f"night_{k:04d}.dng" for k in range(1, len(left) + 1)]
    for name in left:
        with rawpy.imread(str(out / name)) as raw:
            assert raw.raw_image_visible.shape == (64, 96)
