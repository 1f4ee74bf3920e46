"""``import stackkit``: the stages as functions, and the example scripts."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from benchmarks import truth
from scipy.stats import median_abs_deviation

import stackkit
from stackkit.simulate import Night, expose, ideal_picture

EXAMPLES = Path(__file__).parent / "examples"
NIGHT = Night(
    seed=31, frames=6, width=320, height=240, focal=260.0, faintest=8.5, satellites=0, aircraft=0
)


SMALL, STILL = np.zeros((32, 32)), np.eye(3)


def example(monkeypatch: pytest.MonkeyPatch, name: str, *arguments: object) -> None:
    monkeypatch.setattr(sys, "argv", [name, *map(str, arguments)])
    runpy.run_path(str(EXAMPLES / name), run_name="__main__")


def test_stack_and_save(monkeypatch, capsys, three: Path, tmp_path: Path) -> None:
    example(monkeypatch, "stack_and_save.py", three, tmp_path / "out")
    assert capsys.readouterr().out == "3 frames, 320 px wide\n"
    assert fits.getdata(tmp_path / "out" / "stack.fits").shape == (3, 240, 320)


def test_register_two_frames(monkeypatch, capsys, three: Path) -> None:
    """Against the simulator's truth, to a tenth of a pixel."""
    frames = sorted(three.glob("*.dng"))[:2]
    example(monkeypatch, "register_two_frames.py", *frames)
    words = capsys.readouterr().out
    x, y = (float(n) for n in words.split("[")[1].split("]")[0].split())
    night = Night(seed=11, frames=6, width=320, height=240, focal=260.0, faintest=8.5)
    reference = int(words.split("frame ")[1][0]) - 1
    there = truth.carry(night, np.array([[159.5, 119.5]]), reference, 1 - reference)[0]
    assert np.hypot(x - there[0], y - there[1]) < 0.1


def test_a_method_of_ones_own(monkeypatch, capsys, three: Path) -> None:
    example(monkeypatch, "own_method.py", three)
    mean, own = (float(line.split()[1]) for line in capsys.readouterr().out.splitlines())
    assert own == pytest.approx(mean, rel=0.03)


def mosaics() -> list[np.ndarray]:
    return [expose(NIGHT, k).codes.astype(np.float32) - NIGHT.black for k in range(NIGHT.frames)]


def test_stages_on_arrays_make_the_scene() -> None:
    """Detected, registered and combined without a file: the noise falls, the scene stays.

    Against the simulator's picture without noise, in electrons over the gain.
    """
    frames = mosaics()
    stars = [stackkit.detect(frame, NIGHT.pattern) for frame in frames]
    found = stackkit.register(stars, (NIGHT.width, NIGHT.height), focal_px=NIGHT.focal)
    order = [found.reference, *(k for k in range(len(frames)) if k != found.reference)]
    mappings = [found.mappings[k] for k in order]
    picture = stackkit.combine([frames[k] for k in order], mappings, NIGHT.pattern)
    scene = ideal_picture(NIGHT, found.reference) / NIGHT.gain
    inside = np.s_[:, 40:-40, 40:-40]
    away = (picture.value - scene)[inside]
    assert abs(np.nanmedian(away)) < 0.05 * np.median(scene)
    alone = stackkit.combine([frames[found.reference]], [np.eye(3)], NIGHT.pattern).value[inside]
    together, single = (
        median_abs_deviation(np.diff(left), axis=None, nan_policy="omit")
        for left in (away, alone - scene[inside])
    )
    assert together < 0.65 * single
    assert picture.coverage[inside[1:]].max() == NIGHT.frames


def test_homographies_serve_as_mappings_and_any_unit_will_do() -> None:
    frame = mosaics()[0]
    shifted = np.roll(frame, (2, 4), axis=(0, 1))
    move = np.array([[1.0, 0, 4], [0, 1, 2], [0, 0, 1]])
    both = stackkit.combine([frame, shifted], [np.eye(3), move], NIGHT.pattern, method="mean")
    alone = stackkit.combine([frame], [np.eye(3)], NIGHT.pattern, method="mean")
    inside = np.s_[:, 20:-20, 20:-20]
    assert np.nanmedian(np.abs(both.value - alone.value)[inside]) < 1.0
    small = stackkit.combine([frame / 4096], [np.eye(3)], NIGHT.pattern, method="mean")
    # But for the few places where a finer coding makes another pixel stand out.
    assert np.mean(np.abs(small.value * 4096 - alone.value)[inside] < 0.2) > 0.99


def test_parameters_are_bound_by_name() -> None:
    frames, still = mosaics()[:5], [np.eye(3)] * 5
    loose, tight = (
        stackkit.combine(frames, still, method="sigma-clip", parameters={"kappa": kappa})
        for kappa in (8.0, 1.2)
    )
    assert np.nanmedian(tight.coverage) < np.nanmedian(loose.coverage) == 5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([], []), "one mapping"),
        (([SMALL], []), "one mapping"),
        (([SMALL, np.zeros((32, 30))], [STILL] * 2), "one size"),
        (([SMALL], [STILL], "RGBW"), "not a Bayer pattern"),
        (([SMALL], [STILL], "RGBG"), "not a Bayer pattern"),
        (([SMALL], [STILL], np.array([[0, 1], [1, 7]])), "not a Bayer pattern"),
        (([SMALL, SMALL], [STILL, None]), "Mosaic 1 has no mapping"),
        (([SMALL], [np.eye(2)]), "Mosaic 0 has no mapping"),
        (([np.zeros(32)], [STILL]), "no mosaic"),
        (([np.zeros((3, 32, 32))], [STILL]), "no mosaic"),
        (([np.zeros((2, 2))], [STILL]), "no mosaic"),
    ],
)
def test_wrong_use_is_one_sentence(arguments, words: str) -> None:
    with pytest.raises(stackkit.UsageError, match=words):
        stackkit.combine(*arguments)


def test_wrong_use_of_the_other_stages_is_one_sentence() -> None:
    with pytest.raises(stackkit.UsageError, match="not a Bayer pattern"):
        stackkit.detect(SMALL, np.array([[0, 1], [1, 7]]))
    with pytest.raises(stackkit.UsageError, match="no mosaic"):
        stackkit.detect(np.zeros(32))
    with pytest.raises(stackkit.UsageError, match="no tables"):
        stackkit.register([], (32, 32))


def test_weights_may_be_arrays_and_a_frame_may_be_empty() -> None:
    frame = mosaics()[0]
    nothing = np.full_like(frame, np.nan)
    found = stackkit.combine([frame, nothing], [STILL] * 2, weights=np.ones(2), method="mean")
    assert np.nanmax(found.coverage) == 1


def test_tables_and_fits() -> None:
    table = stackkit.detect(mosaics()[0], NIGHT.pattern).to_table()
    assert (table["flux"].unit, table["fwhm"].unit) == ("adu", "pix")
    assert (np.diff(table["flux"]) <= 0).all()
    values = np.ones((3, 4, 5), np.float32)
    hdus = stackkit.Stack(values, 2 * values, np.full((4, 5), 3, np.int16)).to_fits()
    assert [hdu.name for hdu in hdus] == ["PRIMARY", "VARIANCE", "COVERAGE"]
    assert hdus["VARIANCE"].header["BUNIT"] == "adu2"


def test_everything_named_is_there_and_seen_by_completion() -> None:
    assert set(stackkit.__all__) <= set(dir(stackkit))
    for name in stackkit.__all__:
        assert getattr(stackkit, name).__doc__
