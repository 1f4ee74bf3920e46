"""stack.fits against astropy.io.fits (verify) and the FITS standard 4.0 (Pence et al. 2016)."""

from __future__ import annotations

import struct
import tracemalloc
import warnings
from datetime import datetime, timedelta

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from sample_record import left_out, light, sample_record

from stackkit.output.fits import write_fits
from stackkit.results import Stack
from stackkit.run.files import ascii_text


def sample_stack(height=70, width=41):
    rng = np.random.default_rng(5)
    value = rng.normal(100, 20, (3, height, width)).astype(np.float32)
    value[:, :4, :7] = np.nan
    variance = rng.uniform(1, 9, value.shape).astype(np.float32)
    variance[:, :4, :7] = np.nan
    coverage = rng.integers(1, 40, (height, width)).astype(np.int16)
    coverage[:4, :7] = 0
    for array in (value, variance, coverage):
        array.flags.writeable = False
    return Stack(value, variance, coverage)


def opened(path):
    """All HDUs, read and verified with every warning an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path, memmap=False) as hdus:
            hdus.verify("exception")
            for hdu in hdus:
                hdu.verify("exception")
                assert hdu.data is not None
                for card in hdu.header.cards:
                    card.verify("exception")
            return fits.HDUList([hdu.copy() for hdu in hdus])


@pytest.fixture
def written(tmp_path):
    def write(record=None, stack=None):
        path = tmp_path / "stack.fits"
        write_fits(path, stack or sample_stack(), record or sample_record())
        return opened(path)

    return write


def test_the_arrays_come_back(written):
    stack, hdus = sample_stack(), written()
    assert [hdu.name for hdu in hdus] == ["PRIMARY", "VARIANCE", "COVERAGE", "FRAMES"]
    assert hdus[0].data.dtype == np.dtype(">f4")
    assert hdus[2].data.dtype == np.dtype(">i2")
    np.testing.assert_array_equal(hdus[0].data, stack.value)
    np.testing.assert_array_equal(hdus["VARIANCE"].data, stack.variance)
    np.testing.assert_array_equal(hdus["COVERAGE"].data, stack.coverage)


def test_the_bytes_are_those_of_the_standard(tmp_path):
    # FITS 4.0: blocks of 2880 bytes (3.1), big-endian IEEE data, first axis fastest (3.3.2),
    # filled with zeros (3.3.2); logical columns as the letters T and F (7.3.3.1).
    path = tmp_path / "stack.fits"
    stack = sample_stack()
    write_fits(path, stack, sample_record())
    data = path.read_bytes()
    assert len(data) % 2880 == 0
    assert data[:30] == b"SIMPLE  =                    T"
    start = next(
        n for n in range(2880, len(data), 2880) if data[n - 2880 : n].rstrip(b" ").endswith(b"END")
    )
    second_row = start + 4 * 41
    assert struct.unpack(">f", data[second_row + 32 : second_row + 36]) == (stack.value[0, 1, 8],)
    end = start + stack.value.nbytes
    assert set(data[end : end + -end % 2880]) == {0}
    table = fits.getdata(path, "FRAMES")
    width = table.columns["FILE"].dtype.itemsize + table.columns["ROLE"].dtype.itemsize
    raw = data[data.rindex(b"a.dng") :]
    assert raw[width : width + 1] == b"T"


def test_the_header_tells_exposure_and_camera(written):
    header = written()[0].header
    assert header["NFRAMES"] == 3
    assert header["SATURATE"] == 3600
    assert header["XPOSURE"] == 24.0
    assert header["EXPTIME"] == 8.0
    assert "one frame" in header.comments["EXPTIME"]
    assert header["INSTRUME"] == "Lanternfold Pocket Two"
    assert header["BUNIT"] == "adu"
    assert header["CREATOR"] == "stackkit 0.1.0"
    words = "\n".join(header["COMMENT"])
    assert "Row 1 of the data is the top row of the sensor picture." in words
    assert "Plane 1 of axis 3 is red, 2 green, 3 blue" in words
    assert "b.dng" in words


def test_units_are_those_of_the_standard(written):
    # FITS 4.0, section 4.3; astropy.units reads them in the "fits" format.
    from astropy import units

    hdus = written()
    assert units.Unit(hdus[0].header["BUNIT"], format="fits") == units.adu
    assert units.Unit(hdus["VARIANCE"].header["BUNIT"], format="fits") == units.adu**2
    for column in hdus["FRAMES"].columns:
        if column.unit:
            units.Unit(column.unit, format="fits")


def test_the_dates(written):
    # FITS 4.0, section 9: begin, end, their difference; ISO 8601 without a zone, TIMESYS = UTC.
    header = written()[0].header
    assert header["TIMESYS"] == "UTC"
    assert header["DATE-BEG"] == "2026-10-13T20:41:07.250"
    assert header["DATE-OBS"] == header["DATE-BEG"]
    assert header["DATE-END"] == "2026-10-13T20:42:15.250"
    # middles 0, 20 and 60.0004 s with weights 1, 1, 2: 35.0002 s after the first
    assert header["DATE-AVG"] == "2026-10-13T20:41:46.250"
    begin, average, end = (
        Time(header[f"DATE-{part}"], format="fits", scale="utc") for part in ("BEG", "AVG", "END")
    )
    assert header["TELAPSE"] == pytest.approx((end - begin).sec, abs=0.002)
    assert begin < average < end
    assert header["TIMEUNIT"] == "s"


def test_other_zones_are_turned_to_utc(written):
    record = sample_record()
    local = datetime.fromisoformat("2026-10-13T22:41:11.250+02:00")
    record["frames"] = [light("b.dng", local.isoformat())]
    assert written(record)[0].header["DATE-BEG"] == "2026-10-13T20:41:07.250"


def test_milliseconds_are_rounded_across_the_second(written):
    record = sample_record()
    time = datetime.fromisoformat("2026-12-31T23:59:55.999700+00:00")
    record["frames"] = [light("b.dng", time.isoformat())]
    hdus = written(record)
    assert hdus["FRAMES"].data["TIME"][0] == "2026-12-31T23:59:56.000"
    assert hdus[0].header["DATE-END"] == "2027-01-01T00:00:00.000"


def test_missing_figures_leave_their_keywords_out(written):
    record = sample_record()
    record["frames"] = [light("b.dng", None, exposure_s=None), light("c.dng", None)]
    record["camera"]["name"] = None
    header = written(record)[0].header
    for keyword in ("DATE-OBS", "DATE-BEG", "DATE-AVG", "DATE-END", "TIMESYS", "TELAPSE"):
        assert keyword not in header
    for keyword in ("XPOSURE", "EXPTIME", "INSTRUME"):
        assert keyword not in header
    assert header["NFRAMES"] == 2


def test_frames_without_time_are_told_beside_the_dates(written):
    record = sample_record()
    record["frames"][1]["time"] = None
    header = written(record)[0].header
    assert header["DATE-END"] == "2026-10-13T20:42:15.250"
    assert "1 of the frames carry no time" in "\n".join(header["COMMENT"])


def test_no_frame_at_all(written):
    record = sample_record()
    record["frames"], record["reference"] = [], None
    hdus = written(record)
    assert hdus[0].header["NFRAMES"] == 0
    assert len(hdus["FRAMES"].data) == 0


@pytest.mark.parametrize(
    "name", ["Läntern® 夜 Two", "x" * 300, "O'Neil's " * 12, "'" * 80, "tab\tand\nline", "é" * 40]
)
def test_any_name_fits(written, tmp_path, name):
    record = sample_record()
    record["camera"]["name"] = name
    record["frames"][1]["file"] = record["reference"] = name + ".dng"
    hdus = written(record)
    value = hdus[0].header["INSTRUME"]
    assert ascii_text(name).startswith(value.rstrip("\\"))
    assert len(value) >= min(34, len(name))
    # FITS 4.0, section 4.2.1.2: reserved keywords take no CONTINUE
    assert b"CONTINUE" not in (tmp_path / "stack.fits").read_bytes()
    assert hdus["FRAMES"].data["FILE"][1] == ascii_text(name + ".dng").rstrip()


def test_the_table_has_every_file(written):
    table = written()["FRAMES"]
    rows = table.data
    assert list(rows["FILE"]) == ["a.dng", "b.dng", "c.dng", "d.dng", "notes.txt"]
    assert list(rows["USED"]) == [True, True, False, True, False]
    assert list(rows["REASON"]) == [
        "",
        "",
        "out of focus: stars 4.0 times as wide as usual",
        "",
        "not a raw file",
    ]
    assert list(rows["ROLE"]) == ["light"] * 4 + ["other"]
    assert rows["TIME"][0] == "2026-10-13T20:41:11.250"
    assert rows["TIME"][4] == ""
    assert list(rows["STARS"]) == [412, 412, 412, 412, -1]
    assert table.header[f"TNULL{rows.names.index('STARS') + 1}"] == -1
    np.testing.assert_array_equal(rows["FWHM_PX"], np.float32([2.5, 2.5, np.nan, 2.5, np.nan]))
    np.testing.assert_array_equal(rows["WEIGHT"], [1, 1, 0, 2, 0])
    np.testing.assert_array_equal(rows["TURN_DEG"][:4], [-0.08, 0, 0, 0.17])
    np.testing.assert_array_equal(rows["SKY_ADU"][0], np.float32([20.5, 40, 26]))
    assert np.isnan(rows["SKY_ADU"][4]).all()


def test_only_unknown_files(written):
    record = sample_record()
    record["frames"] = [left_out("a.txt", "not a raw file"), left_out("b.txt", "empty")]
    assert len(written(record)["FRAMES"].data) == 2


def test_the_same_stack_gives_the_same_bytes(tmp_path):
    for name in ("one.fits", "two.fits"):
        write_fits(tmp_path / name, sample_stack(), sample_record())
    assert (tmp_path / "one.fits").read_bytes() == (tmp_path / "two.fits").read_bytes()
    for hdu in opened(tmp_path / "one.fits"):
        assert not {"DATE", "CHECKSUM", "DATASUM"} & set(hdu.header)
        assert datetime.now().strftime("%Y-%m-%d") not in repr(hdu.header)


def test_the_callers_arrays_are_neither_changed_nor_copied(tmp_path):
    shape = (3, 600, 500)
    stack = Stack(
        np.ones(shape, np.float32), np.ones(shape, np.float32), np.ones(shape[1:], np.int16)
    )
    write_fits(tmp_path / "warm.fits", sample_stack(), sample_record())
    tracemalloc.start()
    write_fits(tmp_path / "stack.fits", stack, sample_record())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < stack.value.nbytes / 4
    assert (stack.value == 1).all()


def test_a_night_without_weights_has_a_plain_mean_date(written):
    record = sample_record()
    start = datetime.fromisoformat("2026-10-13T20:41:11+00:00")
    record["frames"] = [
        light("b.dng", (start + timedelta(seconds=s)).isoformat(), weight=0.0) for s in (0, 20, 70)
    ]
    assert written(record)[0].header["DATE-AVG"] == "2026-10-13T20:41:41.000"
