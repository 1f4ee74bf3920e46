"""DNG opcodes, each against the formula of its section in DNG 1.7.1, chapter 7."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from opcode_samples import (
    ALL,
    PATTERN,
    SHAPE,
    applied,
    doubles,
    lines,
    opcodes,
    polynomial,
    some_of_each,
    table,
)
from scenes import examples

from stackkit.output import tiff_container as tiff
from stackkit.output.opcode_list import area_data, gain_map_opcode, opcode, opcode_list
from stackkit.raw.opcodes.apply import (
    account,
    apply,
    gain_field,
    lens_hint,
    marked_sites,
)
from stackkit.raw.opcodes.lists import NO_OPCODES


def test_gain_map_by_hand():
    """Section GainMap: bilinear inside the map, its edges outside, origin and spacing as shares."""
    gains = [[1.0, 2.0], [3.0, 5.0]]
    asked = opcodes(linear=[gain_map_opcode(ALL, gains, spacing=(0.5, 0.5), origin=(0.25, 0.25))])
    field = applied(asked)
    # Row 2 has its centre at 2.5/6, a third between the points at 1/4 and 3/4; column 3 at 3.5/8.
    down, across = (2.5 / 6 - 0.25) / 0.5, (3.5 / 8 - 0.25) / 0.5
    upper, lower = 1 + across * 1, 3 + across * 2
    np.testing.assert_allclose(field[2, 3], upper + down * (lower - upper), rtol=1e-6)
    np.testing.assert_allclose(field[[0, 0, 5, 5], [0, 7, 0, 7]], [1, 2, 3, 5], rtol=1e-6)


def test_gain_map_as_the_reference_implementation():
    """Values of ``dng_gain_map::Interpolate`` of the DNG SDK 1.7.1, as built into dngpy 0.1.3."""
    gains = [[1.0, 1.35, 1.7, 1.75], [2.1, 2.45, 2.5, 2.85], [3.2, 3.25, 3.6, 3.95]]
    expected = [
        [1.0, 1.1125, 1.3625, 1.6125, 1.723214, 1.75, 1.75],
        [1.55, 1.6625, 1.907143, 2.05, 2.192857, 2.3, 2.3],
        [2.161111, 2.268254, 2.496825, 2.544445, 2.723611, 2.911111, 2.911111],
        [2.772222, 2.825794, 2.947222, 3.113889, 3.334722, 3.522222, 3.522222],
        [3.2, 3.216071, 3.2625, 3.5125, 3.7625, 3.95, 3.95],
        [3.2, 3.216071, 3.2625, 3.5125, 3.7625, 3.95, 3.95],
    ]
    one = gain_map_opcode(area_data(0, 0, 6, 7), gains, spacing=(0.3, 0.2), origin=(0.1, 0.15))
    field = gain_field(opcodes(linear=[one], area=(6, 7)), (6, 7), PATTERN)
    np.testing.assert_allclose(field, expected, rtol=2e-6)


def test_four_maps_one_a_bayer_site_from_an_odd_corner():
    sites = [(y, x) for y in (0, 1) for x in (0, 1)]
    maps = [
        gain_map_opcode(area_data(y, x, *SHAPE, pitch=(2, 2)), [[1.0 + 2 * y + x]])
        for y, x in sites
    ]
    field = applied(opcodes(linear=maps))
    np.testing.assert_array_equal(field[:2, :2], [[1, 2], [3, 4]])
    shifted = np.ones((5, 7), np.float32)
    apply(opcodes(linear=maps, origin=(1, 1)), shifted, PATTERN)
    np.testing.assert_array_equal(shifted, field[1:, 1:])


def test_list_three_gives_each_site_what_is_meant_for_its_colour():
    """Section GainMap: where there are fewer map planes, the last serves the remaining ones."""
    area = area_data(0, 0, *SHAPE, planes=3)
    pattern = np.array([[1, 0], [2, 1]], np.uint8)
    three = opcodes(picture=[gain_map_opcode(area, np.array([[[2.0, 3.0, 4.0]]]))])
    tile = [[3, 2], [4, 3]]
    np.testing.assert_array_equal(applied(three, pattern=pattern), np.tile(tile, (3, 4)))
    two = opcodes(picture=[gain_map_opcode(area, np.array([[[2.0, 3.0]]]))])
    np.testing.assert_array_equal(applied(two, pattern=pattern)[:2, :2], [[3, 2], [3, 3]])
    blue = opcodes(picture=[gain_map_opcode(area_data(0, 0, *SHAPE, plane=2), [[5.0]])])
    np.testing.assert_array_equal(applied(blue, pattern=pattern)[:2, :2], [[1, 1], [5, 1]])


def test_map_of_a_strong_vignetting_makes_a_ramp_flat():
    """A quarter of the light in the corners: 25 by 33 points suffice for 0.5 %."""
    height, width = 600, 800
    y, x = np.mgrid[:height, :width]

    def light(row, column):  # cos⁴ of the angle, 0.25 in the corners
        r2 = ((row - 0.5) / 0.5) ** 2 * 0.36 + ((column - 0.5) / 0.5) ** 2 * 0.64
        return 1 / (1 + r2) ** 2

    points = light(np.linspace(0, 1, 25)[:, None], np.linspace(0, 1, 33)[None, :])
    maps = [
        gain_map_opcode(area_data(row, column, height, width, pitch=(2, 2)), 1 / points)
        for row in (0, 1)
        for column in (0, 1)
    ]
    ramp = 0.1 + 0.5 * x / width
    plane = (ramp * light((y + 0.5) / height, (x + 0.5) / width)).astype(np.float32)
    apply(opcodes(linear=maps, area=(height, width)), plane, PATTERN)
    assert plane.max() > 0.5
    np.testing.assert_allclose(plane / ramp, 1, atol=0.005)


def test_fix_vignette_radial_by_hand():
    """Section FixVignetteRadial: r is 1 at the pixel farthest from the optical centre."""
    k = (0.5, -0.25, 0.125, 0.0625, 0.03)
    one = opcode(3, doubles(*k, 0.25, 0.0))
    plane = np.ones((5, 9), np.float32)
    apply(opcodes(picture=[one], area=(5, 9)), plane, PATTERN)
    # Centre at x = 0.25 · 8 = 2, y = 0; farthest is (8, 4), at the root of 36 + 16.
    r2 = ((5 - 2) ** 2 + 3**2) / 52
    gain = 1 + k[0] * r2 + k[1] * r2**2 + k[2] * r2**3 + k[3] * r2**4 + k[4] * r2**5
    np.testing.assert_allclose(plane[3, 5], gain, rtol=1e-6)
    np.testing.assert_allclose([plane[0, 2], plane[4, 8]], [1, 1 + sum(k)], rtol=1e-6)


def test_deltas_and_scales_go_to_the_rows_and_columns_they_name():
    """Sections DeltaPerRow, DeltaPerColumn, ScalePerRow, ScalePerColumn."""
    part = area_data(1, 2, 6, 7, pitch=(2, 3))  # rows 1, 3, 5, columns 2, 5
    rows, columns = [0.1, 0.2, 0.3], [0.5, 0.25]
    expected = np.ones(SHAPE)
    expected[np.ix_([1, 3, 5], [2, 5])] = 1 + np.array(rows)[:, None]
    np.testing.assert_allclose(applied(opcodes(linear=[lines(10, rows, part)])), expected)
    expected[np.ix_([1, 3, 5], [2, 5])] = 1 + np.array(columns)
    np.testing.assert_allclose(applied(opcodes(linear=[lines(11, columns, part)])), expected)
    expected[np.ix_([1, 3, 5], [2, 5])] = np.array(rows)[:, None]
    np.testing.assert_allclose(applied(opcodes(linear=[lines(12, rows, part)])), expected)
    expected[np.ix_([1, 3, 5], [2, 5])] = columns
    np.testing.assert_allclose(applied(opcodes(linear=[lines(13, columns, part)])), expected)


def test_map_table_by_hand():
    """Section MapTable: a 16-bit table; values over its end take the last entry."""
    half = [7 + 0.5 * i for i in range(1001)]
    values = np.array([[0, 100 / 65535, 100.5 / 65535, 0.9, 1.7, -100 / 65535, np.nan, 0]])
    asked = opcodes(linear=[table(*[round(entry) for entry in half])])
    found = applied(asked, np.repeat(values, 6, axis=0))[0]
    expected = np.array([7, 57, 57, 507, 507, 2 * 7 - 57, np.nan, 7]) / 65535
    np.testing.assert_allclose(found, expected, atol=0.6 / 65535)


def test_map_polynomial_by_hand():
    """Section MapPolynomial: coefficients from the constant term on; the result within 0 to 1."""
    values = np.array([[0, 0.5, 0.8, 1.0, 3.0, -0.5, np.nan, 0.25]])
    asked = opcodes(linear=[polynomial(0.1, 0.5, 0.75)])
    found = applied(asked, np.repeat(values, 6, axis=0))[0]
    expected = [0.1, 0.5375, 0.98, 1.0, 1.0, 0.2 - 0.5375, np.nan, 0.271875]
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_order_counts_and_gains_keep_values_over_one():
    double, more = lines(12, [2.0] * 6, ALL), lines(10, [0.5] * 6, ALL)
    assert applied(opcodes(linear=[double, more]))[0, 0] == 2.5
    assert applied(opcodes(linear=[more, double]))[0, 0] == 3.0
    assert applied(opcodes(linear=[more], picture=[double]))[0, 0] == 3.0


def test_missing_samples_stay_missing():
    plane = np.full(SHAPE, np.nan)
    steps = [polynomial(0, 1), table(0, 1), lines(10, [0.5] * 6, ALL), lines(13, [2.0] * 8, ALL)]
    maps = [gain_map_opcode(ALL, np.ones((3, 3))), opcode(3, doubles(1, 0, 0, 0, 0, 0.5, 0.5))]
    assert np.isnan(applied(opcodes(linear=steps + maps), plane)).all()


def test_gain_field_is_the_product_of_the_gains():
    maps = [gain_map_opcode(ALL, [[1, 2], [3, 4]]), opcode(3, doubles(1, 0, 0, 0, 0, 0.5, 0.5))]
    gains = opcodes(raw=[lines(12, [1, 2, 3, 1, 2, 3], ALL)], linear=maps)
    field = gain_field(gains, SHAPE, PATTERN)
    assert field.dtype == np.float32
    np.testing.assert_array_equal(field, applied(gains))
    others = opcodes(linear=[polynomial(0, 0.5), *maps])
    np.testing.assert_array_equal(
        gain_field(others, SHAPE, PATTERN), gain_field(opcodes(linear=maps), SHAPE, PATTERN)
    )
    assert gain_field(opcodes(linear=[polynomial(0, 1)]), SHAPE, PATTERN) is None
    assert gain_field(NO_OPCODES, SHAPE, PATTERN) is None


def test_bad_pixels_and_bounds_are_marked():
    """Sections FixBadPixelsConstant, FixBadPixelsList, TrimBounds."""
    codes = np.full(SHAPE, 300, np.uint16)
    codes[2, 3] = 17
    constant = opcode(4, struct.pack(">2I", 17, 0))
    # In the stored picture, in which the mosaic starts at row 10, column 20.
    points = [(11, 22), (10, 19), (99, 99)]
    rectangles = [(9, 26, 11, 28), (13, 21, 15, 22), (15, 22, 16, 23), (12, 25, 12, 27)]
    numbers = [number for entry in (*points, *rectangles) for number in entry]
    bad = opcode(5, struct.pack(f">3I{len(numbers)}I", 0, 3, 4, *numbers))
    asked = opcodes(raw=[constant, bad], raw_origin=(10, 20))
    expected = np.zeros(SHAPE, bool)
    for y, x in [(2, 3), (1, 2), (0, 6), (0, 7), (3, 1), (4, 1), (5, 2)]:
        expected[y, x] = True
    np.testing.assert_array_equal(marked_sites(asked, codes, PATTERN), expected)
    assert all("not interpolated" in fate.what for fate in account(asked))
    trim = opcodes(picture=[opcode(6, struct.pack(">4I", 2, 1, 6, 8))], origin=(1, 0))
    inside = np.zeros(SHAPE, bool)
    inside[1:5, 1:] = True
    np.testing.assert_array_equal(marked_sites(trim, codes, PATTERN), ~inside)
    assert marked_sites(NO_OPCODES, codes, PATTERN) is None
    assert not marked_sites(opcodes(raw=[opcode(5, bytes(12))]), codes, PATTERN).any()


def test_warps_are_kept_as_a_hint_and_never_applied():
    """Section WarpRectilinear: centre from the first (0) to the last pixel (1), r up to 1."""
    sets = [1.0, 0.1, 0, 0, 0, 0], [0.98, 0.02, -0.01, 0.003, 1e-4, -2e-4], [1.0, 0, 0, 0, 0, 0]
    numbers = [number for terms in sets for number in terms]
    warp = opcode(1, struct.pack(">I", 3) + doubles(*numbers, 0.5, 0.25))
    asked = opcodes(picture=[warp], origin=(1, 2), area=(101, 201))
    hint = lens_hint(asked)
    assert not hint.fisheye
    assert (*hint.radial, *hint.tangential) == (0.98, 0.02, -0.01, 0.003, 1e-4, -2e-4)
    assert hint.centre == (100 - 2, 25 - 1)
    assert hint.unit == pytest.approx(np.hypot(100, 75))
    fisheye = opcode(2, struct.pack(">I", 1) + doubles(1.0, 0.1, 0.01, 0.001, 0.5, 0.5))
    assert lens_hint(opcodes(picture=[fisheye])).radial == (1.0, 0.1, 0.01, 0.001)
    higher = opcode(14, struct.pack(">I", 1) + doubles(1.0, *[0.0] * 18, 0.5, 0.5) + bytes(4))
    assert lens_hint(opcodes(picture=[higher])) is None
    assert lens_hint(NO_OPCODES) is None
    everything = opcodes(picture=[warp, fisheye, higher])
    assert lens_hint(everything).fisheye
    np.testing.assert_array_equal(applied(everything), 1)
    assert all("not warped" in fate.what and not fate.lacking for fate in account(everything))


sizes = st.tuples(st.integers(3, 12), st.integers(3, 12))


@examples(60)
@given(
    size=sizes,
    origin=st.tuples(st.integers(0, 2), st.integers(0, 2)),
    corner=st.tuples(st.integers(0, 2), st.integers(0, 2)),
    pitch=st.tuples(st.integers(1, 4), st.integers(1, 4)),
    plane=st.integers(0, 2),
    planes=st.integers(1, 3),
    seed=st.integers(0, 99),
)
def test_a_mosaic_cropped_first_has_the_same_values(
    size, origin, corner, pitch, plane, planes, seed
):
    """Where the visible mosaic starts in the picture changes nothing of its values."""
    rng = np.random.default_rng(seed)
    whole = opcodes(
        linear=some_of_each(*size, pitch, corner, 0, planes, rng),
        picture=some_of_each(*size, pitch, corner, plane, planes, rng),
        area=size,
    )
    values = rng.uniform(-0.1, 0.9, size).astype(np.float32)
    there = (slice(origin[0], None), slice(origin[1], None))
    cropped = values[there].copy()
    shifted = np.roll(PATTERN, (-origin[0], -origin[1]), axis=(0, 1))
    apply(replace(whole, origin=origin), cropped, shifted)
    apply(whole, values, PATTERN)
    np.testing.assert_array_equal(cropped, values[there])
    assert not any(fate.lacking for fate in account(whole))


def small_dng(codes, list_two):
    """An uncompressed DNG with an OpcodeList2."""
    height, width = codes.shape
    tags = {
        **{254: (tiff.LONG, 0), 256: (tiff.LONG, width), 257: (tiff.LONG, height)},
        **{258: (tiff.SHORT, 16), 259: (tiff.SHORT, 1), 262: (tiff.SHORT, 32803)},
        **{277: (tiff.SHORT, 1), 278: (tiff.LONG, height), 284: (tiff.SHORT, 1)},
        **{271: (tiff.ASCII, "Lanternfold"), 272: (tiff.ASCII, "Pocket Two")},
        **{33421: (tiff.SHORT, (2, 2)), 33422: (tiff.BYTE, (0, 1, 1, 2))},
        **{50706: (tiff.BYTE, (1, 4, 0, 0)), 50707: (tiff.BYTE, (1, 3, 0, 0))},
        **{50708: (tiff.ASCII, "Lanternfold Pocket Two"), 50714: (tiff.RATIONAL, 0)},
        **{50717: (tiff.LONG, 65535), 50719: (tiff.LONG, (0, 0))},
        **{50720: (tiff.LONG, (width, height)), 50728: (tiff.RATIONAL, (0.5, 1, 0.6))},
        50721: (tiff.SRATIONAL, (0.86, -0.31, -0.09, -0.42, 1.21, 0.24, -0.08, 0.19, 0.62)),
        **{50778: (tiff.SHORT, 21), 51009: (tiff.UNDEFINED, list_two)},
    }
    return tiff.one_picture(tags, {33434: (tiff.RATIONAL, 1)}, codes.astype("<u2").tobytes())


def test_against_an_independent_decoder(tmp_path):
    """flashraw applies list 2 to the mosaic; it takes a pixel's place at its corner, not centre."""
    flashraw = pytest.importorskip("flashraw")
    rng = np.random.default_rng(11)
    height, width = 40, 56
    codes = rng.integers(1000, 9000, (height, width)).astype(np.uint16)
    part = area_data(3, 5, height, width - 2, pitch=(3, 2))
    shared = [
        lines(12, rng.uniform(0.5, 2, 13), part),
        lines(11, rng.uniform(0, 0.1, 25), part),
        polynomial(0.01, 1.1, -0.2, area=area_data(0, 1, height, width, pitch=(2, 2))),
    ]
    grids = rng.uniform(1, 3, (4, 5, 7))

    def listed(origin):
        maps = [
            gain_map_opcode(
                area_data(k // 2, k % 2, height, width, pitch=(2, 2)), grids[k], origin=origin
            )
            for k in range(4)
        ]
        return [*shared, *maps]

    path = tmp_path / "shaded.dng"
    path.write_bytes(small_dng(codes, opcode_list(listed((-0.5 / height, -0.5 / width)))))
    with flashraw.open(str(path)) as raw:
        theirs = raw.decode("normalized").array.squeeze()
    ours = (codes / 65535).astype(np.float32)
    apply(opcodes(linear=listed((0, 0)), area=(height, width)), ours, PATTERN)
    np.testing.assert_allclose(ours, theirs, rtol=2e-5)


def test_the_reference_reader_finds_the_map_we_write(tmp_path):
    """dngpy, built on the DNG SDK 1.7.1, reads the gain map of the file."""
    dngpy = pytest.importorskip("dngpy")
    grid = np.random.default_rng(4).uniform(1, 3, (5, 7)).astype(np.float32)
    one = gain_map_opcode(area_data(0, 0, 40, 56), grid, spacing=(0.25, 0.125), origin=(0.1, 0.2))
    path = tmp_path / "shaded.dng"
    path.write_bytes(small_dng(np.full((40, 56), 500, np.uint16), opcode_list([one])))
    found = dngpy.Dng(str(path)).get_gainmap()
    assert (found.rows, found.cols, found.planes) == (5, 7, 1)
    assert (found.spacing_v, found.spacing_h) == (0.25, 0.125)
    assert (found.origin_v, found.origin_h) == (0.1, 0.2)
    np.testing.assert_array_equal(found.to_numpy()[:, :, 0], grid)
