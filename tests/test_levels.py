"""Black, white and linearisation of DNGs, against the specification and flashraw."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import flashraw
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from raw_samples import LINEAR, NO_CFA, fault, fractions
from scenes import examples

from stackkit.raw.decode import Mosaic, decode
from stackkit.raw.levels import dng_black


def exact(mosaic: Mosaic) -> np.ndarray:
    """The black level of every site."""
    height, width = mosaic.data.shape
    levels = np.tile(mosaic.black, (height // 2 + 1, width // 2 + 1))[:height, :width]
    return levels if mosaic.black_detail is None else levels + mosaic.black_detail


@pytest.mark.parametrize(
    ("repeat", "levels", "black"),
    [
        (None, (64, 2), [[32, 32], [32, 32]]),
        ((1, 2), (60, 1, 70, 1), [[60, 70], [60, 70]]),
        ((2, 1), (60, 1, 70, 1), [[60, 60], [70, 70]]),
        ((1, 3), (60, 1, 63, 1, 66, 1), [[63, 63], [63, 63]]),
    ],
)
def test_black_levels_repeat(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    repeat: tuple[int, int] | None,
    levels: tuple[int, ...],
    black: list[list[float]],
) -> None:
    # DNG 1.7.1, BlackLevelRepeatDim.
    extra: dict[int, Any] = {50714: (5, len(levels) // 2, levels)}
    if repeat:
        extra[50713] = (3, 2, repeat)
    mosaic = decode(write_dng(tmp_path / "a.dng", codes, extra))
    assert mosaic.black.tolist() == black
    if repeat == (1, 3):
        assert np.allclose(exact(mosaic)[5, :6], [60, 63, 66] * 2)
    else:
        assert mosaic.black_detail is None


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_deltas_of_rows_and_columns(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], compression: str | None
) -> None:
    # DNG 1.7.1, BlackLevelDeltaH: a value for each column of the active area; DeltaV: each row.
    rng = np.random.default_rng(5)
    top, left, bottom, right = area = (1, 3, 46, 61)
    down, across = rng.integers(-300, 300, bottom - top), rng.integers(-300, 300, right - left)
    extra = {
        50713: (3, 2, (2, 3)),
        50714: (5, 6, (64, 1, 65, 1, 66, 1, 70, 1, 71, 1, 72, 1)),
        50715: fractions(across),
        50716: fractions(down),
        50829: (4, 4, area),
    }
    path = write_dng(tmp_path / "a.dng", codes, extra, compression=compression)
    mosaic = decode(path)
    level = np.tile([[64.0, 65, 66], [70, 71, 72]], (23, 20))[: bottom - top, : right - left]
    expected = level + down[:, None] / 100 + across / 100
    y, x = mosaic.opcodes.origin
    height, width = mosaic.data.shape
    expected = expected[y : y + height, x : x + width]
    assert np.allclose(exact(mosaic), expected, atol=1e-4)
    # flashraw divides by white minus the repeated level and leaves the deltas out of that.
    with flashraw.open(str(path)) as raw:
        theirs = raw.decode("normalized", crop=False).array
    theirs = theirs[top + y :, left + x :][:height, :width]
    theirs = theirs * (4095 - level[y : y + height, x : x + width])
    assert np.allclose(mosaic.data - exact(mosaic), theirs, atol=2e-3)


def test_deltas_that_are_all_alike(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    deltas = {50715: fractions(np.full(64, 50)), 50716: fractions(np.full(48, 25))}
    mosaic = decode(write_dng(tmp_path / "a.dng", codes, deltas))
    assert np.allclose(mosaic.black, 64.75)
    assert mosaic.black_detail is None


@examples(60)
@given(
    repeat=st.tuples(st.integers(1, 5), st.integers(1, 5)),
    origin=st.tuples(st.integers(0, 3), st.integers(0, 3)),
    shape=st.tuples(st.integers(2, 17), st.integers(2, 17)),
    seed=st.integers(0, 99),
    deltas=st.booleans(),
)
def test_mean_and_detail_give_the_exact_level(
    repeat: tuple[int, int],
    origin: tuple[int, int],
    shape: tuple[int, int],
    seed: int,
    deltas: bool,
) -> None:
    rng = np.random.default_rng(seed)
    levels = rng.integers(0, 99, repeat)
    down, across = (rng.normal(0, deltas, side + 4) for side in shape)
    tags = {50713: repeat, 50714: tuple(levels.ravel()), 50715: across, 50716: down}
    black = dng_black(tags, shape, origin, np.zeros((2, 2), np.uint8))
    for y in range(shape[0]):
        for x in range(shape[1]):
            level = levels[(y + origin[0]) % repeat[0], (x + origin[1]) % repeat[1]]
            level = level + down[y + origin[0]] + across[x + origin[1]]
            detail = 0 if black.detail is None else black.detail[y, x]
            assert black.mean[y % 2, x % 2] + detail == pytest.approx(level, abs=1e-4)


def test_odd_black_tags(tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]) -> None:
    mosaic = decode(write_dng(tmp_path / "b.dng", codes, {50714: None}))
    assert (mosaic.black == 0).all()  # DNG 1.7.1: the default
    assert mosaic.remarks == ()
    mosaic = decode(write_dng(tmp_path / "c.dng", codes, {50713: (3, 1, 2)}))
    assert (mosaic.black == 64).all()
    assert mosaic.remarks == ("its black levels do not fit each other; 64 is taken for all",)
    mosaic = decode(write_dng(tmp_path / "d.dng", codes, {50714: (5, 1, (64, 0))}))
    assert (mosaic.black == 0).all()
    assert "0 is taken for all" in mosaic.remarks[0]
    deltas = {50715: (10, 64, (1, 0) * 64)}
    mosaic = decode(write_dng(tmp_path / "e.dng", codes, deltas))
    assert (mosaic.black == 64).all()
    assert mosaic.remarks == ("its black levels of columns are no numbers and are left out",)


def masked_frame(black: np.ndarray, seed: int = 4) -> tuple[np.ndarray, dict[int, Any]]:
    """A frame (90, 122) with 24 masked columns at its left and 10 rows above its active area."""
    rng = np.random.default_rng(seed)
    sites = np.tile(black, (45, 61))
    frame = sites + rng.normal(0, 5, sites.shape)
    frame[10:, 24:] += 300
    frame[rng.integers(0, 90, 9), rng.integers(0, 24, 9)] = 4000  # hot pixels under the mask
    extra = {
        50713: (3, 2, (2, 2)),
        50714: (5, 4, (64, 1, 65, 1, 66, 1, 67, 1)),
        50829: (4, 4, (10, 24, 90, 122)),
        50830: (4, 8, (0, 0, 10, 122, 10, 0, 90, 24)),
    }
    return np.round(frame).astype(np.uint16), extra


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_the_masked_border_measures_black(
    tmp_path: Path, write_dng: Callable[..., Path], compression: str | None
) -> None:
    truth = np.array([[64.7, 69.1], [66.2, 67.4]])
    frame, extra = masked_frame(truth)
    mosaic = decode(write_dng(tmp_path / "a.dng", frame, extra, compression=compression))
    assert mosaic.data.shape == (80, 98)
    assert np.allclose(mosaic.black, truth, atol=0.6)  # 5 codes of noise, some 700 samples
    assert len(mosaic.remarks) == 1
    assert "black measured in its masked border" in mosaic.remarks[0]
    assert "where the file says 64.0/65.0/66.0/67.0" in mosaic.remarks[0]


def test_a_border_that_agrees_is_not_spoken_of(
    tmp_path: Path, write_dng: Callable[..., Path]
) -> None:
    frame, extra = masked_frame(np.array([[64.0, 65], [66, 67]]))
    mosaic = decode(write_dng(tmp_path / "a.dng", frame, extra))
    assert np.allclose(mosaic.black, [[64, 65], [66, 67]], atol=0.6)
    assert mosaic.remarks == ()


@pytest.mark.parametrize(
    ("masked", "said"),
    [
        ((0, 0, 5, 10), False),  # too few samples
        ((0, 0, 60, 60), False),  # light falls on it
        ((200, 200, 300, 300), False),  # outside
        ((0, 0, 0, 24), False),  # empty
        ((0, 0, 10, 122), True),  # implausible, as the border is not dark
    ],
)
def test_borders_that_are_not_believed(
    tmp_path: Path, write_dng: Callable[..., Path], masked: tuple[int, ...], said: bool
) -> None:
    frame, extra = masked_frame(np.array([[400.0, 400], [400, 400]]))
    mosaic = decode(write_dng(tmp_path / "a.dng", frame, {**extra, 50830: (4, 4, masked)}))
    assert mosaic.black.tolist() == [[64, 65], [66, 67]]
    assert bool(mosaic.remarks) == said
    assert all("the file is believed" in remark for remark in mosaic.remarks)


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
@pytest.mark.parametrize("length", [4096, 3000])
def test_linearisation_table(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    compression: str | None,
    length: int,
) -> None:
    # DNG 1.7.1, LinearizationTable: codes past its end take its last value.
    table = (np.arange(length, dtype=np.int64) ** 2 // 300).astype(np.uint16)
    extra = {50712: (3, length, tuple(table.tolist())), 50717: (4, 1, 55000)}
    path = write_dng(tmp_path / "a.dng", codes, extra, compression=compression)
    mosaic = decode(path)
    assert np.array_equal(mosaic.data, table[np.minimum(codes, length - 1)])
    assert mosaic.white == 55000
    with flashraw.open(str(path)) as raw:
        assert np.array_equal(mosaic.data, raw.decode().array)


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_eight_bits_and_a_table(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], compression: str | None
) -> None:
    table = np.arange(256) ** 2 // 20 + 300
    extra = {50712: (3, 256, tuple(table.tolist())), 50717: None}
    codes = codes.astype(np.uint8)
    mosaic = decode(write_dng(tmp_path / "a.dng", codes, extra, compression=compression))
    assert np.array_equal(mosaic.data, table[codes])
    assert mosaic.white == table[255]


def test_white_must_be_above_black(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = tmp_path / "a.dng"
    for compression in (None, "JPEGXL_DNG"):
        write_dng(path, codes, {50717: (4, 1, 60)}, compression=compression)
        assert "white level 60 is not above its black 64" in fault(path)
    deltas = {50715: fractions(np.arange(64), 1), 50717: (4, 1, 100)}
    assert "white level 100 is not above its black 127" in fault(write_dng(path, codes, deltas))


def test_levels_of_a_linear_raw(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # DNG 1.7.1, BlackLevel: values in row, column, sample order.
    rgb = np.stack([codes, codes + 1, codes + 2], axis=-1)
    extra = {**NO_CFA, 50714: (5, 3, (60, 1, 70, 1, 80, 1)), 50717: (4, 3, (4000, 3900, 4095))}
    mosaic = decode(write_dng(tmp_path / "a.dng", rgb, extra, **LINEAR))
    assert mosaic.black.tolist() == [[60, 70], [70, 80]]
    assert mosaic.white == 3900
