"""What mishaps do to simulated frames, against numbers worked out beside them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from command_line import TINY

from stackkit.simulate import Mishap, MishapKind, ideal_picture, random_mishaps, write_night
from stackkit.simulate.folder import file_tags
from stackkit.simulate.sensor import expose
from stackkit.simulate.sky import airmass

NIGHT = replace(TINY, frames=8, hot_fraction=0.0, milky_way=0.0, sky_gradient=0.0, vignetting=0.0)
SKY = NIGHT.sky_rate * NIGHT.exposure


def with_mishap(kind, strength, *, first=2, last=5, night=NIGHT, **more):
    return replace(night, mishaps=(Mishap(kind, first, last, strength, **more),))


def sky_level(night, k):
    """Median electrons of green."""
    return float(np.median(ideal_picture(night, k)[1]))


def starlight(night, k):
    """Electrons of green above the sky, all in all."""
    plane = ideal_picture(night, k)[1]
    return float((plane - np.median(plane)).sum())


@pytest.mark.parametrize("kind", [MishapKind.CLOUD, MishapKind.HAZE])
def test_a_cloud_takes_its_share_and_glows_itself(kind):
    night = with_mishap(kind, 0.6, glow=0.5)
    assert starlight(night, 3) == pytest.approx(0.4 * starlight(NIGHT, 3), rel=1e-3)
    assert sky_level(night, 3) == pytest.approx(sky_level(NIGHT, 3) * 0.4 + 0.3 * SKY, rel=1e-3)
    assert np.array_equal(ideal_picture(night, 1), ideal_picture(NIGHT, 1))
    assert np.array_equal(ideal_picture(night, 6), ideal_picture(NIGHT, 6))


def test_patches_differ_over_the_picture_and_drift():
    clear = ideal_picture(NIGHT, 3)[1]
    shares = [
        ideal_picture(with_mishap(MishapKind.PATCHES, 0.9, glow=0.0), k)[1] / clear for k in (3, 4)
    ]
    for share in shares:
        assert share.min() < 0.35
        assert share.max() > 0.7
    assert np.abs(shares[0] - shares[1]).max() > 0.05


def width(plane):
    """σ (x, y) of the brightest star, from plain second moments."""
    row, column = np.unravel_index(np.argmax(plane[30:-30, 30:-30]), (180, 260))
    patch = plane[row + 15 : row + 46, column + 15 : column + 46] - np.median(plane)
    y, x = np.mgrid[:31, :31]
    patch = np.where(patch > 0.02 * patch.max(), patch, 0)
    mean = [(patch * a).sum() / patch.sum() for a in (x, y)]
    return [
        np.sqrt((patch * (a - m) ** 2).sum() / patch.sum()) for a, m in zip((x, y), mean, strict=1)
    ]


FEW = replace(NIGHT, star_density=0.02, zero_rate=3e5)


def test_defocus_adds_in_squares():
    plane = ideal_picture(with_mishap(MishapKind.DEFOCUS, 2.0, night=FEW), 3)[1]
    assert width(plane) == pytest.approx([np.hypot(0.8, 2.0)] * 2, rel=0.08)


@pytest.mark.parametrize("kind", [MishapKind.TREMBLE, MishapKind.JOLT, MishapKind.TRAIL])
def test_a_camera_that_moves_draws_stars_out_in_one_direction(kind):
    still = width(ideal_picture(FEW, 3)[1])
    along, across = width(ideal_picture(with_mishap(kind, 8.0, night=FEW), 3)[1])
    assert across == pytest.approx(still[1], rel=0.2)
    # σ of a line of 8 px is 8/√12; that of two points is larger, of a sine to ±8 larger still.
    assert along > 0.9 * 8 / np.sqrt(12)
    light = [starlight(night, 3) for night in (FEW, with_mishap(kind, 8.0, night=FEW))]
    assert light[1] == pytest.approx(light[0], rel=0.02)


def test_dew_and_dawn_grow_from_frame_to_frame():
    dew = with_mishap(MishapKind.DEW, 1.0, glow=0.0)
    light = [ideal_picture(dew, k).mean() / ideal_picture(NIGHT, k).mean() for k in range(2, 6)]
    assert np.all(np.diff(light) < 0)
    assert light[-1] == pytest.approx(0.5, rel=0.02)
    dawn = with_mishap(MishapKind.DAWN, 6.0)
    rise = [sky_level(dawn, k) / SKY for k in range(1, 6)]
    assert np.all(np.diff(rise) > 0)
    assert rise[-1] == pytest.approx(7.0, rel=0.05)


def test_a_torch_shines_from_one_side():
    extra = ideal_picture(with_mishap(MishapKind.TORCH, 10.0), 3)[1] - ideal_picture(NIGHT, 3)[1]
    assert extra[:, -10:].mean() > 5 * extra[:, :10].mean() > 0


def test_a_covered_lens_gives_black_and_a_floodlight_white():
    black = expose(with_mishap(MishapKind.COVERED, 1.0), 3).codes
    assert black.mean() == pytest.approx(NIGHT.black, abs=0.1)
    assert (expose(with_mishap(MishapKind.FLOODED, 300.0), 3).codes == NIGHT.white).mean() > 0.3


def test_exposure_and_iso_scale_the_codes_and_are_in_the_file():
    plain = expose(NIGHT, 3).codes.astype(float) - NIGHT.black
    shorter = with_mishap(MishapKind.EXPOSURE, 0.5)
    slower = with_mishap(MishapKind.ISO, 0.5)
    for night in (shorter, slower):
        codes = expose(night, 3).codes.astype(float) - night.black
        assert np.median(codes) == pytest.approx(0.5 * np.median(plain), abs=1)
    assert file_tags(shorter, 3).exposure == 4.0
    assert file_tags(shorter, 1).exposure == 8.0
    assert file_tags(slower, 3).iso == 1600


def test_air_takes_more_light_low_down():
    """Kasten & Young 1989, Applied Optics 28:4735: 38 at the horizon, 1/sin h high up."""
    assert airmass(np.array([0.0])) == pytest.approx(38, rel=0.01)
    assert airmass(np.array([90.0, 60.0])) == pytest.approx(
        1 / np.sin([np.pi / 2, np.pi / 3]), 2e-3
    )


def test_random_mishaps_spare_half_of_the_frames_and_never_meet():
    kinds = set()
    for seed in range(60):
        found = random_mishaps(seed, 16, 5)
        assert found == random_mishaps(seed, 16, 5)
        struck = [k for m in found for k in range(m.first, m.last + 1)]
        assert len(struck) == len(set(struck)) <= 8
        assert all(0 <= k < 16 for k in struck)
        kinds |= {m.kind for m in found}
    assert kinds == set(MishapKind) - {MishapKind.EXPOSURE, MishapKind.ISO}


def test_the_truth_tells_them(tmp_path):
    write_night(replace(with_mishap(MishapKind.CLOUD, 0.6), frames=4), tmp_path)
    frames = json.loads((tmp_path / "truth.json").read_text())["frames"]
    assert [f["mishaps"] for f in frames] == [[], []] + [[{"kind": "cloud", "strength": 0.6}]] * 2
