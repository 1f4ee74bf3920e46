"""Nights with files that were cut off, through the whole line, held against the truth.

The same night is stacked with three files cut, with all of them whole, and without the three.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from benchmarks import figures, measures, truth
from calibration_scenes import true_noise
from cut_files import camera_night, cut_at
from grids import corners
from jsonschema import Draft202012Validator
from scipy.spatial import cKDTree
from stackkit_cli.summary import summary

import stackkit
from stackkit.calibration.apply import above_black, clip_level
from stackkit.output.write import write_results
from stackkit.raw.decode import decode
from stackkit.run.files import check_output
from stackkit.schemas.fields import schema_of
from stackkit.schemas.run import RunRecord
from stackkit.simulate import Night
from stackkit.stars.detect import detect

NIGHT = Night(
    seed=41,
    frames=9,
    width=512,
    height=384,
    focal=420.0,
    star_density=0.3,
    satellites=0,
    aircraft=0,
)
CUT = {1: 0.45, 3: 0.5, 6: 0.55}
"""Share of the bytes that are left of a frame; the reference is none of them."""
FIRST, LAST = 120, 266
"""Rows of the reference, with some to spare, above which all frames and below which none of the
cut ones have samples."""


@dataclass(frozen=True)
class Stacks:
    cut: stackkit.Result
    whole: stackkit.Result
    without: stackkit.Result


@pytest.fixture(scope="module", params=corners(("plain, strips", "lossless JPEG, tiles"), []))
def stacks(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    write_dng: Callable[..., Path],
) -> Stacks:
    folder = tmp_path_factory.mktemp("night")
    paths = camera_night(write_dng, NIGHT, folder, request.param)
    # The same frames must be left, so that the two grids are one.
    whole = stackkit.stack(paths)
    without = stackkit.stack([path for k, path in enumerate(paths) if k not in CUT])
    for k, share in CUT.items():
        cut_at(paths[k], share)
    return Stacks(stackkit.stack([folder]), whole, without)


def reference_of(result: stackkit.Result) -> int:
    return int(result.record["reference"][6:10]) - 1


def loss(stacks: Stacks) -> np.ndarray:
    """Green of the stack with cut files less that with whole ones, ADU: no scene is in it."""
    return stacks.cut.stack.value[1] - stacks.whole.stack.value[1]


def noise_of(plane: np.ndarray) -> float:
    return measures.block_noise(plane, np.zeros(plane.shape, bool))


def test_the_record_tells_what_was_there(stacks: Stacks) -> None:
    rows = {row["file"]: row for row in stacks.cut.record["frames"]}
    for k, share in CUT.items():
        row = rows[f"night_{k + 1:04d}.dng"]
        assert row["used"]
        assert row["salvaged"] == pytest.approx(share, abs=0.1)
        assert row["reason"] == f"cut off: the first {round(100 * row['salvaged'])} % of it is used"
        assert row["time"]
    others = [row for k, row in enumerate(rows.values()) if k not in CUT]
    assert all(row["salvaged"] is None and not row["reason"] for row in others)
    assert stacks.cut.record["reference"] in {row["file"] for row in others}


@pytest.mark.parametrize("share", corners((0.3, 0.6, 0.9), [0.6]))
def test_stars_of_a_cut_frame_are_those_of_the_whole_one(
    tmp_path: Path, write_dng: Callable[..., Path], share: float
) -> None:
    """No false ones along the cut, none lost before it."""
    night = replace(NIGHT, star_density=1.0, frames=1)
    (path,) = camera_night(write_dng, night, tmp_path, "plain, strips")

    def found() -> np.ndarray:
        mosaic = decode(path)
        adu = above_black(mosaic)
        return detect(adu, mosaic.pattern, true_noise(night), clip_level(mosaic)).xy

    whole = found()
    cut_at(path, share)
    part, edge = found(), share * night.height
    sky = cKDTree(truth.stars(night, 0, 0)[0])
    true_whole, true_part = (sky.query(xy)[0] < 0.7 for xy in (whole, part))
    back = cKDTree(part).query(whole)[0] < 0.2
    print(f"{len(part)} stars, {np.mean(true_part):.3f} true; whole {np.mean(true_whole):.3f}")
    assert part[:, 1].max() < edge - 1
    assert np.mean(true_part) > np.mean(true_whole) - 0.03
    assert np.sum(~true_part[part[:, 1] > edge - 16]) <= 1
    assert np.mean(back[whole[:, 1] < edge - 8]) > 0.95


def test_weights_are_those_of_the_whole_frames(stacks: Stacks) -> None:
    cut, whole = (result.record["frames"] for result in (stacks.cut, stacks.whole))
    for k in CUT:
        assert cut[k]["weight"] == pytest.approx(whole[k]["weight"], rel=0.1)
        assert cut[k]["matched"] > 0.8 * cut[k]["stars"]


def test_coverage_counts_the_samples_that_are_there(stacks: Stacks) -> None:
    lost = stacks.whole.stack.coverage.astype(int)
    assert stacks.cut.record["reference"] == stacks.whole.record["reference"]
    lost -= stacks.cut.stack.coverage
    assert np.mean(lost[20:FIRST, 20:-20] == 0) > 0.99
    assert np.mean(lost[LAST:-20, 20:-20] == len(CUT)) > 0.97


def test_noise_is_that_of_the_frames_that_are_there(stacks: Stacks) -> None:
    """The mean of six of nine frames is off that of all by √(1/6 - 1/9) of one frame's noise."""
    sample = truth.sample_noise(NIGHT, reference_of(stacks.cut))[1]
    expected = sample / np.sqrt(32) * np.sqrt(1 / 6 - 1 / 9)  # 32 green samples in 8×8
    upper, lower = (noise_of(loss(stacks)[r, 16:-16]) for r in (np.s_[16:FIRST], np.s_[LAST:-16]))
    print(f"noise lost {lower:.4f} ADU, expected {expected:.4f}; above the cuts {upper:.4f}")
    assert lower == pytest.approx(expected, rel=0.1)
    assert upper < 0.1 * expected
    variance = [result.stack.variance[1] for result in (stacks.cut, stacks.whole)]
    ratio = variance[0] / variance[1]
    assert np.median(ratio[LAST:-16, 16:-16]) == pytest.approx(9 / 6, rel=0.05)
    assert np.median(ratio[16:FIRST, 16:-16]) == pytest.approx(1, rel=0.02)


def test_there_is_no_seam_at_the_cuts(stacks: Stacks) -> None:
    """From rows to the next ones the level changes by less than the eye sees in the noise."""
    rows = np.median(loss(stacks)[:, 16:-16], axis=1)
    bands = np.array([rows[k : k + 12].mean() for k in range(16, len(rows) - 16 - 12, 12)])
    noise = stacks.cut.record["integration"]["noise_stack_adu"][1]
    print(f"largest step {np.abs(np.diff(bands)).max():.3f} ADU, noise of 8×8 px {noise:.3f}")
    assert np.abs(np.diff(bands)).max() < 0.4 * noise
    assert np.abs(bands).max() < noise


def test_centroids_are_no_worse_than_without_the_cut_frames(stacks: Stacks) -> None:
    def error(result: stackkit.Result) -> float:
        centre, _ = figures.centroid_errors(result.stack.value, NIGHT, reference_of(result))
        return centre

    ours, best = error(stacks.cut), error(stacks.without)
    print(f"centroids {ours:.4f} px, without the cut frames {best:.4f} px")
    assert ours < 1.05 * best + 0.002


def test_a_session_of_cut_files_alone(tmp_path: Path, write_dng: Callable[..., Path]) -> None:
    """What no frame holds is missing in the picture, in every file that is written."""
    night = replace(NIGHT, frames=3)
    (tmp_path / "night").mkdir()
    for path in camera_night(write_dng, night, tmp_path / "night", "plain, strips"):
        cut_at(path, 0.6)
    result = stackkit.stack([tmp_path / "night"])
    value, coverage = result.stack.value, result.stack.coverage
    assert np.isfinite(value[:, 10:200, 10:-10]).all()
    assert (coverage[10:200, 10:-10] == 3).mean() > 0.9
    assert np.isnan(value[:, 260:]).all()
    assert not coverage[260:].any()
    check_output(tmp_path / "out", force=False)
    write_results(result, tmp_path / "out")
    with fits.open(tmp_path / "out" / "stack.fits") as hdus:
        assert np.isnan(hdus[0].data[:, 260:]).all()
    assert not np.isnan(tifffile.imread(tmp_path / "out" / "stack.tif")[:200]).any()
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    Draft202012Validator(schema_of(RunRecord)).validate(record)
    assert [row["salvaged"] for row in record["frames"]] == pytest.approx([0.6] * 3, abs=0.02)
    text = summary(record, 200)
    assert "Used in part" in text
    assert "night_0001.dng: cut off: the first " in text
