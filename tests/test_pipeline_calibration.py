"""What the whole line makes of files that must be cleaned first, against the simulator's truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
from benchmarks import measures, truth
from benchmarks.cleaning import flatness
from command_line import TINY
from jsonschema import Draft202012Validator
from scipy.ndimage import gaussian_filter

import stackkit
from stackkit.output.dng import mosaic_dng
from stackkit.record.file import plain
from stackkit.schemas.fields import schema_of
from stackkit.schemas.run import RunRecord
from stackkit.simulate import Calibration, Night, expose, write_calibration, write_night
from stackkit.simulate.camera import vignette
from stackkit.simulate.folder import file_tags

SHADED = replace(
    TINY,
    seed=102,
    frames=6,
    width=480,
    height=360,
    focal=390.0,
    vignetting=0.75,
    shading_map=True,
)
HOT = replace(TINY, seed=111, frames=3, hot_fraction=4e-3)


def stacked(folder: Path, **options: Any) -> stackkit.Result:
    result = stackkit.stack([folder], stackkit.Options(**options))
    Draft202012Validator(schema_of(RunRecord)).validate(plain(result.record))
    return result


def calibration(result: stackkit.Result) -> dict[str, Any]:
    found: dict[str, Any] = plain(result.record)["calibration"]
    return found


def reference(result: stackkit.Result) -> int:
    return int(result.record["reference"].split("_")[1][:4]) - 1


@pytest.fixture(scope="module")
def shaded_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shaded")
    write_night(SHADED, folder)
    return folder


@pytest.fixture(scope="module")
def shaded(shaded_folder: Path) -> stackkit.Result:
    return stacked(shaded_folder)


@pytest.fixture(scope="module")
def evened(shaded_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> stackkit.Result:
    """The same night with flats beside it."""
    folder = tmp_path_factory.mktemp("flats") / "Flats"
    folder.mkdir()
    write_calibration(SHADED, folder, Calibration.FLAT, 6)
    return stacked(shaded_folder, masters=(folder.parent,))


# The field


def test_stars_are_as_bright_in_the_corners(shaded: stackkit.Result) -> None:
    # Measured on three nights: 0.015 to 0.017 mag, of which most is noise of so small a field.
    assert flatness(shaded, SHADED) < 0.025
    assert {row["what"] for row in calibration(shaded)["opcodes"]} == {"applied"}
    assert len(calibration(shaded)["opcodes"]) == 4
    assert shaded.record["warnings"] == []


@pytest.mark.slow
def test_without_the_map_they_are_not(tmp_path: Path) -> None:
    night = replace(SHADED, shading_map=False, frames=4)
    write_night(night, tmp_path)
    bare = stacked(tmp_path)
    assert flatness(bare, night) > 0.2  # measured: 0.24 to 0.27
    assert calibration(bare)["opcodes"] == []


def test_flats_do_it_in_the_place_of_the_map(evened: stackkit.Result) -> None:
    assert flatness(evened, SHADED) < 0.025
    found = calibration(evened)
    assert {row["what"] for row in found["opcodes"]} == {"left out: the flat corrects it"}
    assert any("flat (6 frames) evens the field" in words for words in found["masters"])
    assert evened.record["warnings"] == []


def variance_ratios(result: stackkit.Result, night: Night, side: int = 48) -> list[float]:
    """Scatter² of the background in each corner and colour over the median of VARIANCE there."""
    ideal = truth.picture(night, reference(result)) / vignette(night)
    ratios = []
    for colour in range(3):
        value, variance = (
            np.asarray(p[colour]) for p in (result.stack.value, result.stack.variance)
        )
        for y in (8, night.height - 8 - side):
            for x in (8, night.width - 8 - side):
                block = np.s_[y : y + side, x : x + side]
                quiet = ideal[colour][block] < 1.15 * np.median(ideal[colour][block])
                left = (value[block] - ideal[colour][block])[quiet]
                scatter = measures.spread(left[np.isfinite(left)])
                ratios.append(scatter**2 / float(np.nanmedian(variance[block][quiet])))
    return ratios


@pytest.mark.parametrize("by", ["shaded", "evened"])
def test_the_variance_told_is_that_of_the_corners(by: str, request: pytest.FixtureRequest) -> None:
    ratios = variance_ratios(request.getfixturevalue(by), SHADED)
    assert len(ratios) == 12
    # Measured: 1.05 to 1.09 in the median.  What multiplies the light there, by up to 4, would
    # show as a factor of 16.
    assert np.median(ratios) == pytest.approx(1.0, abs=0.15)
    assert max(ratios) < 1.5
    assert min(ratios) > 0.67


# Noise


def test_gain_and_read_noise_in_the_record(shaded: stackkit.Result) -> None:
    # EMVA Standard 1288: gain in e⁻/ADU and read noise in e⁻ (the true values of the simulator).
    noise = calibration(shaded)["noise"]
    assert noise["gain_e_adu"] == pytest.approx(SHADED.gain, rel=0.05)
    assert noise["read_noise_e"] == pytest.approx(SHADED.read_noise, rel=0.15)
    assert abs(noise["gain_e_adu"] - SHADED.gain) < 3 * noise["gain_error_e_adu"]
    assert noise["source"] == "measured from the frames"
    assert noise["denoised"] is False


@pytest.mark.slow
def test_a_smoothed_night_is_told(tmp_path: Path) -> None:
    night = replace(TINY, seed=121, frames=4, width=480, height=360, focal=390.0)
    for k in range(night.frames):
        codes = expose(night, k).codes.astype(float)
        for y, x in np.ndindex(2, 2):
            codes[y::2, x::2] = gaussian_filter(codes[y::2, x::2], 0.7)
        data = mosaic_dng(np.rint(codes).astype(np.uint16), file_tags(night, k))
        (tmp_path / f"night_{k + 1:04d}.dng").write_bytes(data)
    result = stacked(tmp_path)
    assert calibration(result)["noise"]["denoised"] is True
    assert any("smoothed these raw files" in words for words in result.record["warnings"])


# Darks


def hot_residue(result: stackkit.Result, night: Night) -> float:
    """Mean excess (ADU) along the hot pixels' tracks against beside them, the truth taken off."""
    k = reference(result)
    picture, (tracks, colour) = truth.picture(night, k), truth.hot_tracks(night, k)
    found = []
    for c in range(3):
        left = np.asarray(result.stack.value[c]) - picture[c]
        left[picture[c] > 2 * np.median(picture[c])] = np.nan
        found.append(measures.track_excess(left, tracks[colour == c]).ravel())
    return float(np.nanmean(np.concatenate(found)))


@pytest.fixture(scope="module")
def warm_darks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A night with darks of a warmer evening in a folder within it."""
    folder = tmp_path_factory.mktemp("hot")
    write_night(HOT, folder)
    (folder / "darks").mkdir()
    write_calibration(replace(HOT, warmth=2.0), folder / "darks", Calibration.DARK, 8)
    return folder


@pytest.fixture(scope="module")
def darkened(warm_darks: Path) -> stackkit.Result:
    return stacked(warm_darks, jobs=3)


def test_darks_of_a_warmer_evening_take_hot_pixels_away(
    darkened: stackkit.Result, tmp_path: Path
) -> None:
    write_night(HOT, tmp_path)
    left = [abs(hot_residue(result, HOT)) for result in (stacked(tmp_path), darkened)]
    assert left[1] < 1.0  # ADU; measured 0.1 to 0.5, without darks 17 to 24
    assert left[1] < 0.1 * left[0]
    (words,) = calibration(darkened)["masters"]
    assert "dark of 8 s at ISO 3200 (8 frames) is scaled by 0." in words
    assert float(words.split("scaled by ")[1].split()[0]) == pytest.approx(0.5, abs=0.03)


@pytest.mark.slow
def test_threads_change_nothing(darkened: stackkit.Result, warm_darks: Path) -> None:
    one = stacked(warm_darks, jobs=1)
    for name in ("value", "variance", "coverage"):
        a, b = (getattr(result.stack, name) for result in (one, darkened))
        assert np.array_equal(a, b, equal_nan=name != "coverage")
    records = [plain(result.record) for result in (one, darkened)]
    assert records[0] == records[1]


# Lights of last resort


def as_jpeg(codes: np.ndarray, night: Night) -> bytes:
    """What a camera makes of a frame: demosaiced, balanced, with the curve of IEC 61966-2-1."""
    # OpenCV names a pattern by its second row: this is RGGB.
    colours = cv2.cvtColor(codes, cv2.COLOR_BayerBG2RGB).astype(float) - night.black
    light = colours / (night.white - night.black) / np.array(night.sensitivity)
    light = np.clip(4 * light, 0, 1)
    curved = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return bytes(imagecodecs.jpeg8_encode(np.rint(255 * curved).astype(np.uint8), level=95))


def test_a_folder_of_jpegs_is_stacked_with_a_warning(tmp_path: Path) -> None:
    night = replace(TINY, seed=122, frames=4)
    for k in range(night.frames):
        (tmp_path / f"night_{k + 1:04d}.jpg").write_bytes(as_jpeg(expose(night, k).codes, night))
    result = stacked(tmp_path)
    assert calibration(result)["form"] == "picture"
    (words,) = result.record["warnings"]
    assert words.startswith("These are not raw mosaics. A JPEG picture")
    assert "8 bits, compressed with losses" in words
    assert all(row["used"] for row in result.record["frames"])
    # Stars are where they are in raw frames: the lens and the sky's turning are the same.
    assert result.record["geometry"]["lens"]["f"] == pytest.approx(night.focal, rel=0.05)
    assert result.record["geometry"]["residual_px"] < 0.4
