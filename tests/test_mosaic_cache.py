"""The scratch cache gives back what was put, whole or in windows."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import cache_of, examples

from stackkit.calibration import mosaic_cache
from stackkit.calibration.mosaic_cache import Coding, Window
from stackkit.errors import OutputError

SHAPE = (38, 53)


@st.composite
def windows(draw):
    top = draw(st.integers(0, SHAPE[0] - 1))
    left = draw(st.integers(0, SHAPE[1] - 1))
    return Window(
        top, draw(st.integers(top + 1, SHAPE[0])), left, draw(st.integers(left + 1, SHAPE[1]))
    )


def cut(array, window):
    return array[window.top : window.bottom, window.left : window.right]


# Coding


@pytest.mark.parametrize("bits", [10, 12, 14, 16])
@pytest.mark.parametrize("black", [0, 1, 64, 256.0, 1023.0])
def test_every_code_of_an_undivided_mosaic_comes_back(bits, black):
    codes = np.arange(2**bits, dtype=np.float32).reshape(32, -1)
    coding = mosaic_cache.coding_for(black, 2**bits - 1)
    adu = codes - np.float32(black)
    back = mosaic_cache.decode(mosaic_cache.encode(adu, coding), coding)
    # Of 65536 codes and "missing", 16 bits hold one too few: the very last may give way, for it
    # is clipped.
    back, adu = back.ravel(), adu.ravel()
    assert np.array_equal(back[:-1], adu[:-1])
    assert adu[-1] - 1 <= back[-1] <= adu[-1]


@examples(60)
@given(
    bits=st.sampled_from([10, 12, 14, 16]),
    black=st.floats(0, 1000),
    values=st.lists(st.floats(-0.9, 0.9999), min_size=1, max_size=50),
)
def test_other_values_come_back_to_half_a_step(bits, black, values):
    white = 2**bits - 1
    values = np.array([values])
    adu = np.where(values < 0, values * black, values * (white - black)).astype(np.float32)
    coding = mosaic_cache.coding_for(black, white)
    back = mosaic_cache.decode(mosaic_cache.encode(adu, coding), coding)
    # float32 holds 65535 to 0.004.
    assert np.abs(back - adu).max() <= coding.step / 2 + 0.01


def test_what_lies_outside_goes_to_the_nearest_end():
    coding = Coding(0.5, 64.0)
    codes = mosaic_cache.encode(np.float32([[-1e6, -64.0, 1e6]]), coding)
    assert codes.tolist() == [[1, 1, 65535]]


def test_missing_is_code_nought_and_nothing_else_is():
    coding = mosaic_cache.coding_for(64, 1023)
    adu = np.float32([[np.nan, np.inf, -np.inf, -64.0, 0.0, 959.0]])
    codes = mosaic_cache.encode(adu, coding)
    assert (codes == 0).tolist() == [[True, True, True, False, False, False]]
    assert np.isnan(mosaic_cache.decode(codes, coding)).tolist() == (codes == 0).tolist()


def test_samples_can_be_left_out_on_the_way_back():
    coding = mosaic_cache.coding_for(64, 1023)
    adu = np.float32([[1.0, 2.0, np.nan, 4.0]])
    without = np.array([[True, False, True, False]])
    back = mosaic_cache.decode(mosaic_cache.encode(adu, coding), coding, without)
    assert np.array_equal(back, np.float32([[np.nan, 2.0, np.nan, 4.0]]), equal_nan=True)


def test_encoding_leaves_its_input_alone():
    adu = np.float32([[1.3, np.nan, 7.0]])
    before = adu.copy()
    mosaic_cache.encode(adu, mosaic_cache.coding_for(64, 1023))
    assert np.array_equal(adu, before, equal_nan=True)


# Files


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A cache with two frames, the second of them judged; their mosaics and the mask."""
    rng = np.random.default_rng(3)
    mosaics = rng.integers(-256, 3800, (2, *SHAPE)).astype(np.float32)
    mosaics[:, rng.random(SHAPE) < 0.05] = np.nan
    rejected = rng.random(SHAPE) < 0.3
    cache = cache_of(tmp_path_factory.mktemp("cache"), mosaics)
    mosaic_cache.put_rejected(cache, 1, rejected)
    return cache, mosaics, rejected


def test_the_whole_mosaic_comes_back(kept):
    cache, mosaics, _ = kept
    for number, adu in enumerate(mosaics):
        codes = mosaic_cache.get(cache, number, mosaic_cache.whole(cache))
        assert codes.dtype == np.uint16
        assert np.array_equal(mosaic_cache.decode(codes, cache.coding), adu, equal_nan=True)


@examples(60)
@given(window=windows())
def test_windows_are_slices(kept, window):
    cache, _, rejected = kept
    for number in (0, 1):
        codes = mosaic_cache.get(cache, number, mosaic_cache.whole(cache))
        assert np.array_equal(mosaic_cache.get(cache, number, window), cut(codes, window))
    assert np.array_equal(mosaic_cache.get_rejected(cache, 1, window), cut(rejected, window))


def test_a_frame_that_was_not_judged_has_nothing_rejected(kept):
    cache, _, _ = kept
    mask = mosaic_cache.get_rejected(cache, 0, Window(3, 20, 5, 18))
    assert mask.shape == (17, 13)
    assert mask.dtype == bool
    assert not mask.any()


def test_a_window_is_a_copy(kept):
    cache, _, _ = kept
    window = Window(0, 4, 0, 4)
    mosaic_cache.get(cache, 0, window)[:] = 7
    assert not (mosaic_cache.get(cache, 0, window) == 7).all()


def test_a_second_judgement_replaces_the_first(tmp_path):
    cache = cache_of(tmp_path, [np.zeros(SHAPE)])
    for state in (True, False):
        mosaic_cache.put_rejected(cache, 0, np.full(SHAPE, state))
        assert (mosaic_cache.get_rejected(cache, 0, mosaic_cache.whole(cache)) == state).all()


# When the disk refuses


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs the system's full device")
@pytest.mark.parametrize(
    ("name", "keep"),
    [("00000.mosaic", mosaic_cache.put), ("00000.rejected", mosaic_cache.put_rejected)],
)
@pytest.mark.parametrize("shape", [(12, 16), (400, 300)])
def test_a_full_disk_is_said_to_be_full(tmp_path, name, keep, shape):
    """Also when it is only the last few bytes that find no room."""
    cache = mosaic_cache.Cache(tmp_path, shape, mosaic_cache.coding_for(64, 1023))
    (tmp_path / name).symlink_to("/dev/full")
    with pytest.raises(OutputError, match="the disk is full") as caught:
        keep(cache, 0, np.zeros(shape, np.float32 if keep is mosaic_cache.put else bool))
    assert str(tmp_path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_folder_that_is_gone_is_named(tmp_path):
    cache = mosaic_cache.Cache(tmp_path / "gone", SHAPE, mosaic_cache.coding_for(64, 1023))
    with pytest.raises(OutputError, match=r"gone.*does not exist"):
        mosaic_cache.put(cache, 0, np.zeros(SHAPE, np.float32))
    assert not (tmp_path / "gone").exists()
