"""The ColorChecker's published values through three simulated cameras, from raw file to stack.tif.

Values: the chart's 24 patches (after November 2014) as colour-science has them, under D50;
ΔE2000 by the same library.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
import tifffile
from colour_science import colour
from command_line import TINY, good, record_of
from grids import corners

import stackkit
from stackkit.output import write
from stackkit.output.dng import mosaic_dng
from stackkit.picture.colour.spaces import D50, SPACES, to_connection, xyz
from stackkit.picture.edit import Editing
from stackkit.picture.orientation import upright
from stackkit.simulate import Night
from stackkit.simulate.folder import file_tags
from stackkit.simulate.sensor import expose

CHART = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
PATCHES = colour.xyY_to_XYZ(np.array(list(CHART.data.values())))
LAB = colour.XYZ_to_Lab(PATCHES, D50)
SIDE, LEFT, TOP = 32, 60, 90
FULL = 0.7
"""Where on the sensor's range the lightest patch lies in its brightest colour."""


@dataclass(frozen=True)
class Camera:
    pattern: str
    matrix: tuple[tuple[float, float, float], ...]
    orientation: int


# Three matrices of the kind that phones and cameras have (values made up, in their range).
CAMERAS = {
    "landscape": Camera(
        "RGGB", ((0.95, -0.29, -0.11), (-0.38, 1.22, 0.18), (-0.09, 0.22, 0.55)), 1
    ),
    "portrait": Camera("GBRG", ((0.62, -0.15, -0.06), (-0.55, 1.36, 0.20), (-0.13, 0.25, 0.66)), 6),
    "upside down": Camera(
        "BGGR", ((1.21, -0.55, -0.14), (-0.30, 1.05, 0.29), (0.02, 0.06, 0.83)), 3
    ),
}


def seen_by(camera):
    """What the camera sees of the patches (24, 3) and of white (3,), brightest 1."""
    matrix = np.array(camera.matrix)
    white = matrix @ xyz(D50)
    return PATCHES @ matrix.T / white.max(), white / white.max()


def photographed(camera, folder, patches):
    """Two frames of patches (24, 3), codes above black in the camera's colours, beside stars."""
    _, white = seen_by(camera)
    # The writer of tags scales the matrix by the neutral: undone here.
    own = (np.array(camera.matrix) / white[:, None]).ravel()
    night = Night(**{**vars(TINY), "frames": 2, "cadence": 1.0, "pattern": camera.pattern})
    folder.mkdir()
    sites = np.array(["RGB".index(letter) for letter in camera.pattern]).reshape(2, 2)
    for k in range(2):
        codes = expose(night, k).codes
        for n, patch in enumerate(patches):
            row, column = divmod(n, 6)
            y, x = TOP + SIDE * row, LEFT + SIDE * column
            light = np.rint(night.black + patch[sites]).astype(np.uint16)
            codes[y : y + SIDE, x : x + SIDE] = np.tile(light, (SIDE // 2, SIDE // 2))
        tags = {**vars(file_tags(night, k)), "neutral": tuple(white), "color_matrix": tuple(own)}
        made = type(file_tags(night, k))(**{**tags, "orientation": camera.orientation})
        (folder / f"{k}.dng").write_bytes(mosaic_dng(codes, made))
    return folder


def patches_of(picture, orientation):
    """Means (24, 3) of the middles of the patches."""
    back = {6: 8}.get(orientation, orientation)
    picture = np.moveaxis(upright(np.moveaxis(picture, -1, 0), back), 0, -1)
    means = []
    for n in range(24):
        row, column = divmod(n, 6)
        y, x = TOP + SIDE * row, LEFT + SIDE * column
        means.append(picture[y + 10 : y + SIDE - 10, x + 10 : x + SIDE - 10].mean(axis=(0, 1)))
    return np.array(means)


@pytest.fixture(scope="module")
def stacked(tmp_path_factory):
    """What a camera's frames of the chart are stacked to: the spaces differ in what is written."""

    @cache
    def stack(name):
        patches, _ = seen_by(CAMERAS[name])
        codes = patches * FULL * (TINY.white - TINY.black) / patches.max()
        folder = photographed(CAMERAS[name], tmp_path_factory.mktemp("chart") / "night", codes)
        return stackkit.stack([folder])

    return stack


@pytest.mark.parametrize(
    "case",
    corners(
        itertools.product(SPACES, CAMERAS),
        [("rec2020", "landscape"), ("srgb", "portrait"), ("prophoto", "upside down")],
    ),
    ids=", ".join,
)
def test_the_chart_comes_out_as_published(tmp_path, stacked, case):
    space, name = case
    camera = CAMERAS[name]
    (tmp_path / "out").mkdir()
    write.write_results(stacked(name), tmp_path / "out", editing=Editing(space=space))
    record = record_of(tmp_path / "out")
    picture = tifffile.imread(tmp_path / "out" / "stack.tif") - record["editing"]["pedestal"]
    found = patches_of(picture, camera.orientation) @ to_connection(SPACES[space]).T
    found *= PATCHES[18:, 1].sum() / found[18:, 1].sum()  # exposure, by the row of greys
    away = colour.delta_E(LAB, colour.XYZ_to_Lab(found, D50), method="CIE 2000")
    print(f"{name}, {space}: ΔE2000 mean {away.mean():.2f}, greatest {away.max():.2f}")
    assert away.max() <= 1
    assert record["colour"]["camera"]["white_xy"] == pytest.approx(D50, abs=2e-4)


def test_twice_the_light_is_twice_the_value(tmp_path):
    # Steps of 100 codes, so that nothing is lost in rounding: linear to 1e-3 from file to file.
    camera = CAMERAS["landscape"]
    steps = np.arange(1, 25)[:, None] * np.ones(3)
    folder = photographed(camera, tmp_path / "ramp", 100 * steps)
    good("stack", folder, "--out", tmp_path / "out")
    editing = record_of(tmp_path / "out")["editing"]
    light = tifffile.imread(tmp_path / "out" / "stack.tif") - editing["pedestal"]
    found = patches_of(light, camera.orientation)[:, 1]
    slope, nought = np.polyfit(steps[:, 1], found, 1)
    away = np.abs(found - slope * steps[:, 1] - nought).max() / found.max()
    print(f"off the line by {away:.1e} of the range, at nought by {100 * nought / slope:.2f} codes")
    assert away < 1e-3
    assert abs(100 * nought / slope) < 2  # the frames' skies, told apart to a code or so
