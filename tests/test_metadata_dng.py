"""What a DNG says of colours, noise and lens, against the words of DNG 1.7.1 and LibRaw."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
import rawpy
from conftest import DngWriter
from tiff_blocks import EXIF_IFD, Fields, tiff_block

from stackkit.raw.headers.metadata import Metadata, read_metadata

COLOUR = (86, 100, -31, 100, -9, 100, -42, 100, 121, 100, 24, 100, -8, 100, 19, 100, 62, 100)
ROWS = ((0.86, -0.31, -0.09), (-0.42, 1.21, 0.24), (-0.08, 0.19, 0.62))
SQUARE = (1, 2, 0, 1, 0, 1, 0, 1, 1, 2, 0, 1, 0, 1, 0, 1, 1, 2)
HALF = ((0.5, 0.0, 0.0), (0.0, 0.5, 0.0), (0.0, 0.0, 0.5))


def said(path: Path, main: Fields, exif: Fields | None = None) -> Metadata:
    path.write_bytes(tiff_block({256: (4, (64,)), **main}, {EXIF_IFD: exif} if exif else {}))
    return read_metadata(path)


def test_white_is_that_of_libraw(tmp_path: Path, write_dng: DngWriter, codes: np.ndarray) -> None:
    # Reference: LibRaw, which keeps 1/neutral.
    path = write_dng(tmp_path / "a.dng", codes)
    with rawpy.imread(str(path)) as raw:
        balance = np.array(raw.camera_whitebalance[:3])
    neutral = read_metadata(path).neutral
    assert neutral is not None
    assert 1 / np.array(neutral) == pytest.approx(balance / balance[1], rel=1e-6)


def test_the_same_as_exifread(tmp_path: Path) -> None:
    # Reference: the exifread library, which gives DNG's tags by their hexadecimal number.
    main: Fields = {50721: (10, COLOUR), 50964: (10, SQUARE), 50778: (3, (21,))}
    main |= {50728: (5, (1, 2, 1, 1, 2, 3)), 50730: (10, (-3, 10)), 51041: (12, (1e-4, 2e-6))}
    found = said(tmp_path / "a.dng", main)
    with (tmp_path / "a.dng").open("rb") as file:
        tags = exifread.process_file(file, details=False)
    theirs = {
        code: np.array([np.squeeze(v).astype(float) for v in tags[f"Image Tag 0x{code:X}"].values])
        for code in main
    }
    (profile,) = found.colour_profiles
    assert np.ravel(profile.color_matrix) == pytest.approx(theirs[50721])
    assert profile.forward_matrix is not None
    assert np.ravel(profile.forward_matrix) == pytest.approx(theirs[50964])
    assert profile.illuminant == theirs[50778]
    assert found.neutral == pytest.approx(theirs[50728])
    assert found.baseline_exposure == pytest.approx(theirs[50730])
    assert np.ravel(found.noise_profile) == pytest.approx(theirs[51041])


def test_three_calibrations(tmp_path: Path) -> None:
    main: Fields = {50721: (10, COLOUR), 50778: (3, (17,)), 50964: (10, SQUARE)}
    main |= {50722: (10, SQUARE), 50779: (3, (21,)), 52531: (10, COLOUR), 52529: (3, (0,))}
    first, second, third = said(tmp_path / "a.dng", main).colour_profiles
    assert (first.illuminant, first.color_matrix, first.forward_matrix) == (17, ROWS, HALF)
    assert (second.illuminant, second.color_matrix, second.forward_matrix) == (21, HALF, None)
    assert third.illuminant is None


@pytest.mark.parametrize("value", [COLOUR[:16], (0, 1) * 9, (1, 0) * 9, COLOUR + COLOUR[:6]])
def test_a_matrix_that_is_none(tmp_path: Path, value: tuple[int, ...]) -> None:
    main: Fields = {
        50721: (10, value),
        50964: (10, SQUARE),
        50722: (10, COLOUR),
        50965: (10, value),
    }
    (profile,) = said(tmp_path / "a.dng", main).colour_profiles
    assert (profile.color_matrix, profile.forward_matrix) == (ROWS, None)


@pytest.mark.parametrize("value", [(0, 1, 1, 1, 2, 3), (1, 0, 1, 1, 2, 3), (1, 2, 1, 1)])
def test_a_white_that_is_none(tmp_path: Path, value: tuple[int, ...]) -> None:
    assert said(tmp_path / "a.dng", {50728: (5, value)}).neutral is None
    assert said(tmp_path / "a.dng", {50728: (10, (-1, 2, 1, 1, 1, 2))}).neutral is None


def test_white_as_a_chromaticity(tmp_path: Path) -> None:
    # DNG 1.7.1, AsShotWhiteXY: given instead of AsShotNeutral, not beside it.
    found = said(tmp_path / "a.dng", {50729: (5, (3127, 10000, 329, 1000))})
    assert (found.neutral, found.white_xy) == (None, (0.3127, 0.329))
    for odd in ((0, 1, 1, 3), (9, 10, 9, 10)):
        assert said(tmp_path / "a.dng", {50729: (5, odd)}).white_xy is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ((1e-4, 2e-6), ((1e-4, 2e-6),)),
        ((1e-4, 0.0), ((1e-4, 0.0),)),
        ((1e-4, 1e-6, 2e-4, 2e-6, 3e-4, 3e-6), ((1e-4, 1e-6), (2e-4, 2e-6), (3e-4, 3e-6))),
        ((0.0, 2e-6), None),
        ((1e-4, -2e-6), None),
        ((-1e-4, 2e-6), None),
        ((float("nan"), 2e-6), None),
        ((float("inf"), 2e-6), None),
        ((1e-4,), None),
        ((1e-4, 2e-6, 1e-4), None),
        ((1e-4, 2e-6) * 50, None),
    ],
)
def test_noise_profile(tmp_path: Path, value: tuple[float, ...], expected: Any) -> None:
    # DNG 1.7.1, NoiseProfile: one pair or one for each plane, S > 0 and O >= 0.
    assert said(tmp_path / "a.dng", {51041: (12, value)}).noise_profile == expected


def test_noise_profile_of_the_raw_picture_comes_first(tmp_path: Path) -> None:
    # DNG 1.7.1: the tag belongs to the raw directory; phones keep it in the first.
    below: Fields = {
        256: (4, (64,)),
        258: (3, (12,)),
        262: (3, (32803,)),
        51041: (12, (1e-4, 2e-6)),
    }
    path = tmp_path / "a.dng"
    path.write_bytes(tiff_block({258: (3, (8, 8, 8)), 51041: (12, (9.0, 9.0))}, {330: below}))
    found = read_metadata(path)
    assert (found.noise_profile, found.bits) == (((1e-4, 2e-6),), 12)


@pytest.mark.parametrize(
    ("value", "share"), [((0, 1), 0.0), ((1, 2), 0.5), ((0, 0), None), ((3, 1), None)]
)
def test_noise_reduction(tmp_path: Path, value: tuple[int, int], share: float | None) -> None:
    # DNG 1.7.1, NoiseReductionApplied: 0 to 1, and 0/0 where it is not known.
    assert said(tmp_path / "a.dng", {50935: (5, value)}).noise_reduction == share


@pytest.mark.parametrize(
    ("value", "steps"), [((-3, 10), -0.3), ((0, 1), 0.0), ((1, 0), None), ((1, 2, 1, 2), None)]
)
def test_baseline_exposure(tmp_path: Path, value: tuple[int, ...], steps: float | None) -> None:
    assert said(tmp_path / "a.dng", {50730: (10, value)}).baseline_exposure == steps


SPECIFICATION = (24, 1, 70, 1, 28, 10, 4, 1)


@pytest.mark.parametrize(
    ("main", "exif", "lens"),
    [
        ({}, {42036: (2, "a lens"), 42034: (5, SPECIFICATION)}, "a lens"),
        ({}, {42036: (2, ""), 42034: (5, SPECIFICATION)}, "24-70 mm f/2.8"),
        ({50736: (5, SPECIFICATION)}, {}, "24-70 mm f/2.8"),
        ({50736: (5, (472, 100, 472, 100, 178, 100, 178, 100))}, {}, "4.72 mm f/1.78"),
        ({50736: (5, (50, 1, 50, 1, 0, 0, 0, 0))}, {}, "50 mm"),
        ({50736: (5, (0, 0) * 4)}, {}, None),
        ({50736: (5, (50, 1))}, {}, None),
        ({}, {}, None),
    ],
)
def test_lens(tmp_path: Path, main: Fields, exif: Fields, lens: str | None) -> None:
    # EXIF 2.32, LensSpecification: lengths, then f-numbers at them; 0/0 is not known.
    assert said(tmp_path / "a.dng", main, exif).lens == lens


def test_a_file_that_says_nothing(tmp_path: Path) -> None:
    found = said(tmp_path / "a.dng", {})
    for field in fields(Metadata):
        assert getattr(found, field.name) == field.default


def test_figures_may_be_compared_and_kept_in_sets(tmp_path: Path) -> None:
    main: Fields = {50721: (10, COLOUR), 51041: (12, (1e-4, 2e-6)), 50728: (5, (1, 2, 1, 1, 2, 3))}
    assert len({said(tmp_path / "a.dng", main), said(tmp_path / "a.dng", main)}) == 1
