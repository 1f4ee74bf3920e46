"""What decoding gives of files that were cut off, held against the whole file.

The whole files are read by tifffile or LibRaw itself, not by the package.  ``pytest -s -k
random_cuts`` prints the table.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile
from cut_files import FORMS, camera_file
from hypothesis import given, settings
from hypothesis import strategies as st
from raw_samples import LINEAR, NO_CFA, VERSION_17, fault

from stackkit.calibration.apply import above_black
from stackkit.errors import InputError
from stackkit.raw.decode import Form, decode, kind

SHAPE = (300, 400)
_RGGB = np.array([[0, 1], [1, 2]])


def noisy(seed: int, shape: tuple[int, ...] = SHAPE) -> np.ndarray:
    """Codes of 12 bits, none of them 0."""
    return np.random.default_rng(seed).integers(30, 4000, shape, np.uint16)


def whole_plane(path: Path) -> np.ndarray:
    """All samples by tifffile, and by LibRaw where it knows the compression."""
    plane = tifffile.imread(path)
    if plane.ndim == 3:
        sites = np.take_along_axis(plane, np.tile(_RGGB, (150, 200))[..., None], axis=2)
        return sites[..., 0]
    with tifffile.TiffFile(path) as tiff:
        known = int(tiff.pages[0].compression) in (1, 7)
    if known:
        with rawpy.imread(str(path)) as raw:
            assert np.array_equal(raw.raw_image_visible, plane)
    return plane


def ends_of_parts(path: Path) -> list[tuple[int, int]]:
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        return [(a, a + n) for a, n in zip(page.dataoffsets, page.databytecounts, strict=True)]


def written(write: Callable[..., Path], path: Path, form: str, seed: int) -> Path:
    if form.startswith("linear"):
        tags = {**NO_CFA, **VERSION_17}
        rgb = noisy(seed, (*SHAPE, 3))
        deflated = {"compression": "deflate"} if form.endswith("deflate") else {}
        return write(path, rgb, tags, **LINEAR, rowsperstrip=20, **deflated)
    return camera_file(write, path, noisy(seed), form)


ALL_FORMS = [*FORMS, "linear, plain", "linear, deflate"]


@pytest.mark.parametrize("form", ALL_FORMS)
def test_random_cuts_give_true_samples_only(
    tmp_path: Path, write_dng: Callable[..., Path], form: str
) -> None:
    rng = np.random.default_rng([7, ALL_FORMS.index(form)])
    print(f"\n{form:<22} {'ends':>6} {'there':>7} {'kept':>7}  wrong")
    for number in range(10):
        path = written(write_dng, tmp_path / "a.dng", form, number)
        data, plane, parts = path.read_bytes(), whole_plane(path), ends_of_parts(path)
        first = min(start for start, _ in parts)
        at = int(rng.integers(first + 1, len(data)))
        path.write_bytes(data[:at] + bytes(len(data) - at if number % 3 == 2 else 0))
        # Of the bytes of the picture, so many are there.
        bytes_there = sum(max(min(end, at) - start, 0) for start, end in parts)
        there = bytes_there / sum(end - start for start, end in parts)
        assert kind(path).form is (Form.LINEAR if form.startswith("linear") else Form.MOSAIC)
        assert kind(path).size == SHAPE[::-1]
        try:
            mosaic = decode(path)
        except InputError:
            kept, wrong = 0.0, 0
            assert there < 0.1 + max(end - start for start, end in parts) / len(data)
        else:
            assert mosaic.missing is not None
            known = ~mosaic.missing
            kept, wrong = float(known.mean()), int((mosaic.data != plane)[known].sum())
            assert kept >= 0.1
            assert np.array_equal(np.isnan(above_black(mosaic)), mosaic.missing)
            # All but the part, or the row, that the cut goes through.
            whole = sum(end <= at for _, end in parts) / len(parts)
            assert kept >= min(whole, there) - 0.15
        end = "blank" if number % 3 == 2 else "cut"
        print(f"{'':<22} {end:>6} {100 * there:6.1f} % {100 * kept:5.1f} %  {wrong}")
        assert wrong == 0


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("order", ["<", ">"])
def test_whole_rows_of_packed_samples(
    tmp_path: Path, write_dng: Callable[..., Path], bits: int, order: str
) -> None:
    # TIFF 6.0, FillOrder 1: samples are packed from the highest bit on, rows end on whole bytes.
    path, shape = tmp_path / "a.dng", (48, 66)
    codes = np.random.default_rng(bits).integers(1, 2**bits, shape, np.uint16)
    if bits in (8, 16):
        data: Any = codes.astype(np.uint8) if bits == 8 else codes
        form: dict[str, Any] = {"byteorder": order}
    else:
        shifts = np.arange(bits - 1, -1, -1)
        row = ((codes[..., None] >> shifts) & 1).astype(np.uint8).reshape(48, -1)
        data = iter([np.packbits(row, axis=1).tobytes()])
        form = {"shape": shape, "dtype": "uint16", "bitspersample": bits, "byteorder": order}
    tags = {50714: (5, 1, (1, 2)), 50717: (4, 1, 2**bits - 1), 258: (3, 1, bits)}
    write_dng(path, data, tags, rowsperstrip=48, **form)
    whole = path.read_bytes()
    assert np.array_equal(decode(path).data, codes)
    length = -(-66 * bits // 8)
    (start, _), *_ = ends_of_parts(path)
    for at in (start + 20 * length, start + 21 * length - 1, start + 47 * length + 3):
        path.write_bytes(whole[:at])
        mosaic = decode(path)
        rows = (at - start) // length
        assert mosaic.missing is not None
        assert not mosaic.missing[:rows].any()
        assert mosaic.missing[rows:].all()
        assert np.array_equal(mosaic.data[:rows], codes[:rows])


def test_too_little_is_refused_with_the_share(
    tmp_path: Path, write_dng: Callable[..., Path]
) -> None:
    path = camera_file(write_dng, tmp_path / "a.dng", noisy(1), "plain, one strip")
    (start, _), *_ = ends_of_parts(path)
    data = path.read_bytes()
    path.write_bytes(data[: start + 12 * 800])
    assert "cut off: only 4 % of it is there. Copy it from the camera again" in fault(path)
    path.write_bytes(data[: start + 30 * 800])
    assert decode(path).missing is not None
    path.write_bytes(data[: start + 30])
    assert "cut short: the file ends before its picture does" in fault(path)
    path.write_bytes(data[:start])
    assert kind(path).form is Form.NONE


def test_levels_behind_the_cut_are_not_guessed(
    tmp_path: Path, write_dng: Callable[..., Path]
) -> None:
    """The black levels stand where the file has ended already."""
    path = camera_file(write_dng, tmp_path / "a.dng", noisy(1), "plain, strips")
    with tifffile.TiffFile(path) as tiff:
        tag = tiff.pages[0].tags[50714]
    data = bytearray(path.read_bytes())
    entry = tag.offset + 8
    data[entry : entry + 4] = len(data).to_bytes(4, "little")
    data += bytes(data[tag.valueoffset : tag.valueoffset + 8])
    path.write_bytes(data)
    assert decode(path).black.tolist() == [[64, 64], [64, 64]]
    path.write_bytes(data[:-9000])
    assert "cut short" in fault(path)
    assert kind(path).form is Form.NONE


def test_zeros_are_samples_where_black_is_zero(
    tmp_path: Path, write_dng: Callable[..., Path]
) -> None:
    codes = noisy(3)
    codes[-40:] = 0
    path = camera_file(write_dng, tmp_path / "a.dng", codes, "plain, strips", _50714=(5, 1, (0, 1)))
    mosaic = decode(path)
    assert mosaic.missing is None
    assert np.array_equal(mosaic.data, codes)


def test_a_masked_border_that_is_cut_off_is_not_measured(
    tmp_path: Path, write_dng: Callable[..., Path]
) -> None:
    codes = noisy(4)
    codes[:, :40] = 66  # masked: black is 66, whatever the tag says
    tags = {"_50829": (4, 4, (0, 40, 300, 400)), "_50830": (4, 4, (0, 0, 300, 40))}
    path = camera_file(write_dng, tmp_path / "a.dng", codes, "plain, strips", **tags)
    data, black = path.read_bytes(), decode(path).black
    assert black.tolist() == [[66, 66], [66, 66]]
    path.write_bytes(data[: int(0.6 * len(data))])
    assert np.array_equal(decode(path).black, black)


@pytest.mark.parametrize("form", ALL_FORMS)
def test_cut_and_flipped_bytes_give_our_own_faults_only(
    tmp_path_factory: pytest.TempPathFactory, write_dng: Callable[..., Path], form: str
) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "a.dng"
    whole = written(write_dng, path, form, 5).read_bytes()
    first = min(start for start, _ in ends_of_parts(path))

    @settings(max_examples=40, deadline=None, derandomize=True)
    @given(
        share=st.floats(0, 1),
        head=st.lists(st.tuples(st.integers(0, first), st.integers(0, 255)), max_size=2),
        body=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=6),
    )
    def flipped(share: float, head: list[tuple[int, int]], body: list[tuple[float, int]]) -> None:
        damaged = bytearray(whole)
        for at, value in (*head, *((int(k * (len(whole) - 1)), v) for k, v in body)):
            damaged[at] = value
        path.write_bytes(damaged[: int(share * len(damaged))])
        found = kind(path)
        assert "\n" not in found.reason
        with suppress(InputError):
            mosaic = decode(path)
            assert found.size == mosaic.data.shape[::-1]
            if mosaic.missing is not None:
                assert mosaic.missing.shape == mosaic.data.shape
                assert 0 < mosaic.missing.mean() <= 0.9
                assert not mosaic.data[mosaic.missing].any() or form.startswith("linear")

    flipped()
