"""Which files are darks, flats and biases, and which of them are of no use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from calibration_scenes import NIGHT, mosaic
from cut_files import camera_file, cut_at

from stackkit.calibration.frames import above_black, fault_of, find, grouped, make
from stackkit.raw.decode import decode
from stackkit.session.folder_kinds import Kind, kind_of_folder
from stackkit.simulate import Calibration, expose, write_calibration
from stackkit.simulate.sensor import dark, flat

DARK_LIKE = [
    {},
    {"hot_fraction": 1.6e-2},
    {"amp_glow": 20.0, "dark_pattern": 5.0, "column_pattern": 3.0, "row_noise": 3.0},
    {"warmth": 4.0},
]


@pytest.mark.parametrize("changes", DARK_LIKE)
def test_darks_that_are_dark(changes):
    night = replace(NIGHT, **changes)
    assert fault_of(Kind.DARK, mosaic(night, dark(night, 0))) == ""


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "its colours differ in level"),
        ({"sky_rate": 0.1, "milky_way": 0.0, "exposure": 2.0}, "stars or lights are in it"),
        (
            {"sky_rate": 0.1, "milky_way": 0.0, "exposure": 2.0, "psf_sigma": 1.4},
            "stars or lights are in it",
        ),
    ],
)
def test_darks_that_hold_light_or_stars(changes, words):
    night = replace(NIGHT, **changes)
    assert words in fault_of(Kind.DARK, mosaic(night, expose(night, 0).codes))


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.4, ""), (0.7, ""), (0.003, "too dark"), (0.9, "overexposed"), (5.0, "overexposed")],
)
def test_flats_overexposed_and_black(share, words):
    fault = fault_of(Kind.FLAT, mosaic(NIGHT, flat(NIGHT, 0, share)))
    assert (words in fault) if words else fault == ""


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *((n, Kind.DARK) for n in ("dark", "Darks", "DARK FLATS", "flat-darks", "dark_flat")),
        *((n, Kind.FLAT) for n in ("flat", "Flats", "flat fields")),
        *((n, Kind.BIAS) for n in ("bias", "Biases", "offset", "OFFSETS")),
        *((n, None) for n in ("lights", "darkroom", "2026-10-13")),
    ],
)
def test_folders_are_known_by_their_names(name, kind, tmp_path):
    assert kind_of_folder(tmp_path / name) is kind


def test_black_of_rows_and_columns_is_taken_away():
    detail = np.arange(32, dtype=np.float32)[:, None] * np.ones((1, 32), np.float32)
    codes = np.full((32, 32), 300, np.uint16)
    frame = replace(mosaic(NIGHT, codes), black_detail=detail)
    assert np.array_equal(above_black(frame), 300 - NIGHT.black - detail)


def test_flats_lose_their_dark_flat(tmp_path):
    """A pedestal in flats and dark-flats alike: the response is as without it."""
    small = replace(NIGHT, width=160, height=120, bad_columns=0, vignetting=0.6)
    raised = replace(small, black=small.black + 400)
    for night, name in ((small, "plain"), (raised, "raised")):
        for kind, seconds in ((Calibration.FLAT, 8.0), (Calibration.DARK, 0.02)):
            folder = tmp_path / name / ("flat" if kind is Calibration.FLAT else "dark-flats")
            folder.mkdir(parents=True)
            paths = write_calibration(replace(night, exposure=seconds), folder, kind, 3)
            if name == "raised":  # the files claim the lower black
                for path in paths:
                    _claim_black(path, small.black)
    found = [make(grouped(find([tmp_path / name])[0])) for name in ("plain", "raised")]
    plain, other = (next(m for m in f.masters if m.kind is Kind.FLAT).value for f in found)
    assert not found[1].left_out
    assert not found[1].remarks
    # With the pedestal left in, the corners would be a third too bright.
    assert np.std(plain) > 0.1
    assert np.nanstd(other / plain) < 0.02
    assert np.nanmean(other[:20, :20] / plain[:20, :20]) == pytest.approx(1, abs=0.02)


def _claim_black(path, black):
    """Writes another BlackLevel (DNG tag 50714, rationals over one) into the file."""
    import tifffile

    with tifffile.TiffFile(path) as tiff:
        offset = tiff.pages.first.tags[50714].valueoffset
        order = tiff.byteorder
    data = bytearray(path.read_bytes())
    top, bottom = np.frombuffer(bytes(data[offset : offset + 8]), f"{order}u4")
    new = np.array([black * bottom, bottom] * 4).astype(f"{order}u4")
    data[offset : offset + 32] = new.tobytes()
    assert top > black * bottom
    path.write_bytes(bytes(data))
    assert decode(path).black[0, 0] == black


def test_a_dark_that_was_cut_off_is_no_part_of_a_master(tmp_path, write_dng):
    (tmp_path / "darks").mkdir()
    codes = np.random.default_rng(1).integers(60, 70, (3, 64, 96), np.uint16)
    paths = [
        camera_file(write_dng, tmp_path / "darks" / f"{k}.dng", plane, "plain, strips")
        for k, plane in enumerate(codes)
    ]
    cut_at(paths[1], 0.7)
    frames, left_out = find([tmp_path])
    assert not left_out
    made = make(grouped(frames))
    assert [out.path.name for out in made.left_out] == ["1.dng"]
    assert made.left_out[0].reason == "cut off, and masters are made of whole frames only"
    assert [master.count for master in made.masters] == [2]
