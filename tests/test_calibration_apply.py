"""From codes to calibrated samples, against the plain formulae and other programs' arithmetic."""

from __future__ import annotations

from dataclasses import replace

import ccdproc
import numpy as np
import pytest
from astropy import units as u
from astropy.nddata import CCDData
from hypothesis import given
from hypothesis import strategies as st
from opcode_samples import doubles, opcodes, table
from scenes import PATTERNS, examples, sites

from stackkit.calibration.apply import (
    EVEN,
    RELIEF_STEP,
    Correction,
    above_black,
    calibrate,
    clip_level,
    relief_of,
    unmultiplied,
)
from stackkit.output.opcode_list import area_data, gain_map_opcode, opcode
from stackkit.raw.decode import Mosaic
from stackkit.raw.opcodes.apply import account
from stackkit.raw.opcodes.lists import Opcodes
from stackkit.record.run import _done
from stackkit.simulate.camera import pattern_indices

BLACK = np.array([[64.0, 65.25], [66.5, 67.0]])
SHAPE = (42, 74)


def some_mosaic(seed=3, shape=SHAPE, pattern="RGGB", detail=False, asked=None):
    rng = np.random.default_rng(seed)
    data = rng.integers(60, 4096, shape).astype(np.uint16)
    levels = rng.normal(0, 2, shape).astype(np.float32) if detail else None
    extra = {} if asked is None else {"opcodes": asked}
    return Mosaic(data, pattern_indices(pattern), BLACK, 4095.0, None, levels, **extra)


def plainly(m):
    """Codes less the black level of their site, one by one."""
    adu = np.empty(m.data.shape)
    for y, x in np.ndindex(adu.shape):
        adu[y, x] = float(m.data[y, x]) - m.black[y % 2, x % 2]
        adu[y, x] -= 0 if m.black_detail is None else m.black_detail[y, x]
    return adu


def close(found, wanted):
    np.testing.assert_allclose(found, wanted, rtol=1e-5, atol=1e-3)


def masters(seed=5, shape=SHAPE):
    rng = np.random.default_rng(seed)
    dark = rng.gamma(1.0, 5.0, shape).astype(np.float32)
    return dark, rng.uniform(0.3, 1.1, shape).astype(np.float32)


def four_maps(seed=7, shape=SHAPE, points=(4, 5)):
    """A GainMap for each Bayer site, as phones write them, and its gains (2, 2, down, across)."""
    gains = np.random.default_rng(seed).uniform(1, 4, (2, 2, *points)).astype(np.float32)
    listed = [
        gain_map_opcode(area_data(y, x, *shape, pitch=(2, 2)), gains[y, x])
        for y, x in np.ndindex(2, 2)
    ]
    return opcodes(linear=listed, area=shape), gains


def gain_at(gains, y, x, shape):
    """The gain of a pixel by DNG 1.7.1, chapter 7, GainMap: its centre lies at (y + ½) / height of
    the picture, the map's points from 0 to 1; bilinear between them.
    """
    sides = zip((y, x), shape, gains.shape, strict=True)
    along = [(at + 0.5) / side * (n - 1) for at, side, n in sides]
    (j, i), (v, h) = [int(a) for a in along], [a % 1 for a in along]
    square = gains[j : j + 2, i : i + 2].astype(float)
    return (1 - v) * (square[0] @ [1 - h, h]) + v * (square[1] @ [1 - h, h])


@pytest.mark.parametrize("detail", [False, True])
@given(
    height=st.integers(1, 9),
    width=st.integers(1, 9),
    seed=st.integers(0, 99),
    pattern=st.sampled_from(PATTERNS),
)
@examples(25)
def test_black_is_taken_off_by_site(detail, height, width, seed, pattern):
    m = some_mosaic(seed, (height, width), pattern, detail)
    close(above_black(m), plainly(m))
    assert above_black(m).dtype == np.float32
    close(calibrate(m).adu, plainly(m))


def test_dark_and_flat_as_another_library_does_them():
    # Outside: ccdproc.subtract_dark and flat_correct, told the flat's own norm of 1.
    m = some_mosaic(detail=True)
    dark, flat = masters()
    light, theirs = (CCDData(plane, unit="adu") for plane in (plainly(m), dark.astype(float)))
    second = 1 * u.second
    wanted = ccdproc.subtract_dark(light, theirs, dark_exposure=second, data_exposure=second)
    close(calibrate(m, Correction(dark=dark)).adu, wanted.data)
    even = CCDData(flat.astype(float), unit="adu")
    wanted = ccdproc.flat_correct(wanted, even, norm_value=1.0)
    close(calibrate(m, Correction(dark, flat)).adu, wanted.data)


def test_gain_maps_multiply_each_site_by_its_own():
    asked, gains = four_maps()
    m = some_mosaic(asked=asked)
    field = np.empty(SHAPE)
    for y, x in np.ndindex(SHAPE):
        field[y, x] = gain_at(gains[y % 2, x % 2], y, x, SHAPE)
    dark, _ = masters()
    found = calibrate(m, Correction(dark=dark))
    close(found.adu, (plainly(m) - dark) * field)
    close(found.relief, relief_of(field.astype(np.float32), m.pattern))
    close(unmultiplied(found.adu, m, Correction()), plainly(m) - dark)
    # Nothing is cut at the white level: what is bright stays in proportion.
    assert found.adu.max() > 1.5 * clip_level(m)


def test_a_flat_replaces_the_shading_of_the_file():
    asked, _ = four_maps()
    shaded, bare = some_mosaic(asked=asked), some_mosaic()
    correction = Correction(flat=masters()[1])
    with_map, without = calibrate(shaded, correction), calibrate(bare, correction)
    assert np.array_equal(with_map.adu, without.adu)
    close(with_map.adu, plainly(bare) / correction.flat)
    close(with_map.relief, relief_of(1 / correction.flat, bare.pattern))
    close(unmultiplied(with_map.adu, shaded, correction), plainly(bare))
    fates = account(asked)
    assert {_done(fate, flat=True) for fate in fates} == {"left out: the flat corrects it"}
    assert {_done(fate, flat=False) for fate in fates} == {"applied"}


def test_without_masters_or_shading_nothing_is_multiplied():
    m = some_mosaic()
    found = calibrate(m)
    assert found.relief is EVEN
    assert found.banding == 0.0
    assert np.array_equal(unmultiplied(found.adu, m, Correction()), found.adu)
    assert clip_level(m) == pytest.approx(0.995 * (4095 - 67))


def test_what_is_not_known_is_missing():
    # FixBadPixelsList, DNG 1.7.1, chapter 7: phase, counts of points and rectangles, the points.
    bad = opcode(5, np.array([0, 2, 0, 4, 9, 8, 11], ">u4").tobytes())
    m = some_mosaic(asked=opcodes(raw=[bad], area=SHAPE))
    dark, flat = masters()
    dark[5, 6], flat[7, 8] = np.nan, np.nan
    for correction in (Correction(dark), Correction(dark, flat)):
        missing = {(4, 9), (8, 11), (5, 6)} | ({(7, 8)} if correction.flat is not None else set())
        found = calibrate(m, correction)
        assert {(int(y), int(x)) for y, x in np.argwhere(np.isnan(found.adu))} == missing
        assert np.isfinite(found.relief).all()


def test_other_opcodes_work_on_shares_of_the_range():
    # MapTable of the squares: reference values from 0 (black) to 1 (white), DNG 1.7.1, chapter 7.
    squares = np.rint(np.linspace(0, 1, 65536) ** 2 * 65535).astype(int)
    area = area_data(0, 0, *SHAPE)
    m = some_mosaic(asked=opcodes(linear=[table(*squares, area=area)], area=SHAPE))
    m = replace(m, black=np.full((2, 2), 64.0))
    share = np.clip(plainly(m) / (4095 - 64), 0, 1)
    found = calibrate(m)
    inside = plainly(m) >= 0
    assert np.abs(found.adu - share**2 * (4095 - 64))[inside].max() < 0.2
    assert found.relief is EVEN  # a table is no gain
    (fate,) = account(m.opcodes)
    assert _done(fate, flat=True) == "left out, as it was in the flats"


def blocks_by_hand(gain, pattern):
    """Block means of a gain by colour; where a colour has no site, the mean of all."""
    colour = np.tile(pattern, (gain.shape[0] // 2 + 1, gain.shape[1] // 2 + 1))
    colour = colour[: gain.shape[0], : gain.shape[1]]
    rows, columns = (-(-side // RELIEF_STEP) for side in gain.shape)
    means = np.empty((3, rows, columns))
    for c, j, i in np.ndindex(means.shape):
        block = np.s_[
            j * RELIEF_STEP : (j + 1) * RELIEF_STEP, i * RELIEF_STEP : (i + 1) * RELIEF_STEP
        ]
        own = gain[block][(colour[block] == c) & np.isfinite(gain[block])]
        means[c, j, i] = own.mean() if len(own) else gain[np.isfinite(gain)].mean()
    return means


@given(
    height=st.integers(2, 2 * RELIEF_STEP + 5),
    width=st.integers(2, 2 * RELIEF_STEP + 5),
    pattern=st.sampled_from(PATTERNS),
    seed=st.integers(0, 99),
    missing=st.sampled_from([0.0, 0.1]),
)
@examples(40)
def test_relief_is_the_mean_of_blocks_by_colour(height, width, pattern, seed, missing):
    rng = np.random.default_rng(seed)
    gain = rng.uniform(0.8, 5, (height, width)).astype(np.float32)
    gain[1:][rng.random((height - 1, width)) < missing] = np.nan
    colours = pattern_indices(pattern)
    close(relief_of(gain, colours), blocks_by_hand(gain.astype(float), colours))


def test_a_radial_correction_is_undone_for_the_noise():
    # FixVignetteRadial, DNG 1.7.1, chapter 7: 1 + k0 r² …, r = 1 at the corner furthest away.
    radial = opcode(3, doubles(1.0, 0.0, 0.0, 0.0, 0.0, 0.5, 0.5))
    m = some_mosaic(asked=opcodes(linear=[radial], area=SHAPE))
    found = calibrate(m)
    ratio = found.adu / np.where(plainly(m) == 0, np.nan, plainly(m))
    assert np.nanmin(ratio) == pytest.approx(1.0, abs=1e-3)
    assert ratio[0, 0] == pytest.approx(2.0, rel=0.05)
    close(unmultiplied(found.adu, m, Correction()), plainly(m))


def test_frames_with_other_shading_get_their_own():
    first, second = four_maps(7)[0], four_maps(8)[0]
    assert isinstance(first, Opcodes)
    a, b = (calibrate(some_mosaic(asked=asked)).relief for asked in (first, second))
    assert not np.allclose(a, b)
    assert np.array_equal(a, calibrate(some_mosaic(seed=9, asked=first)).relief)


def test_what_is_given_stays_as_it_was():
    m = some_mosaic(detail=True)
    dark, flat = masters()
    before = [plane.copy() for plane in (m.data, m.black_detail, dark, flat)]
    calibrate(m, Correction(dark, flat))
    for plane, was in zip((m.data, m.black_detail, dark, flat), before, strict=True):
        assert np.array_equal(plane, was)


def test_sites_of_each_pattern_stand_where_its_name_says():
    for name in PATTERNS:
        gain = sites(name, (RELIEF_STEP, RELIEF_STEP)).astype(np.float32) + 1
        close(relief_of(gain, pattern_indices(name))[:, 0, 0], [1, 2, 3])
