"""Masters on disk: standard FITS, back as they went, never overwritten by chance."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from calibration_scenes import blank
from hypothesis import example, given
from hypothesis import strategies as st
from scenes import examples

from stackkit.calibration.master_file import read_master, write_master
from stackkit.calibration.masters import Master, Setting
from stackkit.errors import InputError, OutputError
from stackkit.session.folder_kinds import Kind


@given(
    camera=st.none() | st.text(min_size=1, max_size=90).filter(lambda s: s == s.strip()),
    iso=st.none() | st.integers(1, 10**9),
    exposure=st.none() | st.floats(1e-5, 1e4),
    kind=st.sampled_from(list(Kind)),
)
@example(camera="a\\", iso=None, exposure=None, kind=Kind.DARK)
@example(camera=r"\u0041&", iso=None, exposure=None, kind=Kind.FLAT)
@examples(40)
def test_a_master_comes_back_as_it_went(camera, iso, exposure, kind):
    rng = np.random.default_rng(0)
    value = rng.normal(1, 0.1, (4, 6)).astype(np.float32)
    value[1, 2] = np.nan
    setting = Setting(camera, iso, exposure, (1, 0, 2, 1))
    went = Master(kind, value, value**2, 7, setting)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "master.fits"
        write_master(path, went)
        came = read_master(path)
    assert np.array_equal(came.value, value, equal_nan=True)
    assert np.array_equal(came.variance, value**2, equal_nan=True)
    assert (came.kind, came.count, came.setting) == (kind, 7, setting)


def test_master_files_are_standard_fits(tmp_path):
    """astropy's verification stands for the FITS standard 4.0; the same master, the same bytes."""
    paths = [tmp_path / name for name in ("a.fits", "b.fits")]
    for path in paths:
        write_master(path, blank(Kind.DARK, exposure=8.0))
    assert paths[0].read_bytes() == paths[1].read_bytes()
    with fits.open(paths[0]) as file:
        file.verify("exception")
        assert file[0].header["BUNIT"] == "adu"
        assert file["VARIANCE"].header["BUNIT"] == "adu**2"
        assert file[0].header["EXPTIME"] == 8.0


def test_masters_are_not_overwritten(tmp_path):
    path = tmp_path / "dark.fits"
    write_master(path, blank(Kind.DARK, count=3))
    with pytest.raises(OutputError, match="there already"):
        write_master(path, blank(Kind.DARK, count=4))
    assert read_master(path).count == 3
    write_master(path, blank(Kind.DARK, count=4), force=True)
    assert read_master(path).count == 4


def test_files_that_are_no_masters(tmp_path):
    path = tmp_path / "master.fits"
    with pytest.raises(InputError, match="There is no file"):
        read_master(path)
    path.write_text("hello")
    with pytest.raises(InputError, match="a master"):
        read_master(path)
    fits.PrimaryHDU(np.zeros((4, 4), np.float32)).writeto(path, overwrite=True)
    with pytest.raises(InputError, match="a master"):
        read_master(path)
    write_master(path, blank(Kind.FLAT), force=True)
    good = path.read_bytes()
    path.write_bytes(good.replace(b"stackkit-master/1", b"stackkit-master/9"))
    with pytest.raises(InputError, match="another version"):
        read_master(path)
    for end in (3000, 6000, len(good) - 2880 * 2):
        path.write_bytes(good[:end])
        with warnings.catch_warnings(action="error"), pytest.raises(InputError, match="damaged"):
            read_master(path)
    path.write_bytes(good.replace(b"RGGB", b"RXGB"))
    with pytest.raises(InputError, match="damaged"):
        read_master(path)
