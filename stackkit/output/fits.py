"""The stack as FITS: the measurement, in the camera's units (FITS standard 4.0).

Nothing in the file depends on when or where it was written (no DATE, no checksum cards, whose
comments carry the time), so that the same stack gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from stackkit.record.file import plain
from stackkit.results import Stack
from stackkit.run.files import ascii_text, replacing
from stackkit.schemas.frames import FrameRecord
from stackkit.schemas.run import RunRecord

_BLOCK = 2880
"""Headers and data fill whole blocks of this many bytes (FITS 4.0, section 3.1)."""
_ROWS = 64
"""Rows converted to big-endian bytes at a time, to save memory."""

_COLUMNS = (
    # key in the record, kind, unit
    ("file", "A", None),
    ("role", "A", None),
    ("used", "L", None),
    ("reason", "A", None),
    ("time", "time", None),
    ("exposure_s", "E", "s"),
    ("iso", "J", None),
    ("stars", "J", None),
    ("fwhm_px", "E", "pix"),
    ("weight", "D", None),
    ("matched", "J", None),
    ("residual_px", "E", "pix"),
    ("turn_deg", "D", "deg"),
    ("transparency", "E", None),
    ("sky_adu", "3E", "adu"),
)
"""The columns of FRAMES.  Missing numbers are NaN, missing whole numbers -1 (TNULL)."""


def write_fits(path: Path, stack: Stack, record: RunRecord) -> None:
    """Write ``stack`` and the frames it was made from to ``path``.

    Primary HDU: ``value`` (3, H, W); image extensions VARIANCE and COVERAGE; binary table FRAMES
    with a row for every frame of ``record`` (of the run).
    Keywords without a figure in the record are left out.  Raises ``OutputError``.
    """
    record = plain(record)
    table = _frame_table(record["frames"])
    with replacing(path) as temporary, temporary.open("wb") as file:
        _write_image(file, _primary_header(stack, record), stack.value)
        _write_image(file, _image_header("VARIANCE", stack.variance, "adu**2"), stack.variance)
        _write_image(file, _image_header("COVERAGE", stack.coverage, None), stack.coverage)
        file.write(table)


def write_picture(path: Path, value: NDArray[np.float32], words: str) -> None:
    """Write one picture (3, H, W), ADU, to ``path``, with a comment.  Raises ``OutputError``."""
    header = fits.Header([("SIMPLE", True, "FITS standard 4.0"), *_layout(value)])
    header["BUNIT"] = ("adu", "above black, of one frame")
    header["COMMENT"] = words
    with replacing(path) as temporary, temporary.open("wb") as file:
        _write_image(file, header, value)


def _one_card(text: str) -> str:
    """``text`` cut to one card: reserved keywords allow no CONTINUE (section 4.2.1.2)."""
    while len(text) + text.count("'") > 68:
        text = text[:-1]
    return text


def _write_image(file: BinaryIO, header: fits.Header, array: NDArray[Any]) -> None:
    """Append one HDU.  Not with astropy, which swaps bytes in the caller's array or copies it."""
    file.write(header.tostring().encode("ascii"))
    big_endian = array.dtype.newbyteorder(">")
    for plane in array.reshape(-1, *array.shape[-2:]):
        for start in range(0, len(plane), _ROWS):
            file.write(plane[start : start + _ROWS].astype(big_endian).tobytes())
    file.write(bytes(-array.nbytes % _BLOCK))


def _layout(array: NDArray[Any]) -> list[tuple[str, Any]]:
    sign = -1 if array.dtype.kind == "f" else 1
    axes = [(f"NAXIS{i}", size) for i, size in enumerate(reversed(array.shape), 1)]
    return [("BITPIX", sign * 8 * array.itemsize), ("NAXIS", array.ndim), *axes]


def _image_header(name: str, array: NDArray[Any], unit: str | None) -> fits.Header:
    header = fits.Header([("XTENSION", "IMAGE", "image extension"), *_layout(array)])
    header["PCOUNT"] = 0
    header["GCOUNT"] = 1
    header["EXTNAME"] = name
    if unit:
        header["BUNIT"] = unit
    else:
        header["COMMENT"] = "Number of frames that count at the pixel."
    return header


def _primary_header(stack: Stack, record: RunRecord) -> fits.Header:
    used = [frame for frame in record["frames"] if frame["used"]]
    header = fits.Header([("SIMPLE", True, "FITS standard 4.0"), *_layout(stack.value)])
    header["EXTEND"] = True
    header["BUNIT"] = ("adu", "above black, of one frame")
    camera = record["camera"]["name"]
    if camera:
        header["INSTRUME"] = _one_card(ascii_text(camera))
    header["NFRAMES"] = (len(used), "exposures in the stack")
    header.update(_exposure_cards(used, record["reference"]))
    header.update(_time_cards(used))
    header["SATURATE"] = (
        record["integration"]["clip_adu"],
        "[adu] from here on pixels are clipped",
    )
    header["CREATOR"] = ascii_text(f"stackkit {record['stackkit']}")
    header["COMMENT"] = "Linear, weighted mean of the frames, not their sum."
    header["COMMENT"] = "Plane 1 of axis 3 is red, 2 green, 3 blue, as the camera's filters see:"
    header["COMMENT"] = "not white-balanced."
    header["COMMENT"] = "Row 1 of the data is the top row of the sensor picture."
    header["COMMENT"] = "NaN where no frame reaches."
    if record["editing"] and record["editing"]["gradient_removed"]:
        header["COMMENT"] = "The smooth light of the sky was taken off; it is in gradient.fits."
    if record["place"]:
        # Geodetic, as in Rots et al. 2015, A&A 574:A36, section 4.1.3.
        header["OBSGEO-B"] = (record["place"]["latitude"], "[deg] latitude")
        header["OBSGEO-L"] = (record["place"]["longitude"], "[deg] longitude, east positive")
        if record["place"]["height"] is not None:
            header["OBSGEO-H"] = (record["place"]["height"], "[m] height")
    if record["reference"]:
        header["COMMENT"] = f"Reference frame: {ascii_text(record['reference'])}"
    undated = sum(1 for frame in used if not (frame["time"] and frame["exposure_s"]))
    if 0 < undated < len(used):
        header["COMMENT"] = f"{undated} of the frames carry no time; the dates are the others'."
    return header


def _exposure_cards(used: Sequence[FrameRecord], reference: str | None) -> fits.Header:
    """XPOSURE, the total exposure; EXPTIME, that of the reference, whose ADU the values are."""
    cards = fits.Header()
    exposures = [seconds for frame in used if (seconds := frame["exposure_s"])]
    if used and len(exposures) == len(used):
        cards["XPOSURE"] = (round(sum(exposures), 6), "[s] sum of the exposures")
    single = [frame["exposure_s"] for frame in used if frame["file"] == reference]
    if single and single[0]:
        cards["EXPTIME"] = (single[0], "[s] of one frame, whose ADU the values are")
    return cards


def _time_cards(used: Sequence[FrameRecord]) -> fits.Header:
    """The dates of FITS 4.0, section 9, from the frames that have both time and exposure."""
    cards = fits.Header()
    dated = [
        (datetime.fromisoformat(time), timedelta(seconds=seconds / 2), frame["weight"])
        for frame in used
        if (time := frame["time"]) and (seconds := frame["exposure_s"])
    ]
    if not dated:
        return cards
    middle, half, weights = zip(*dated, strict=True)
    weight = np.array(weights, dtype=np.float64)
    if not weight.sum() > 0:
        weight = np.ones(len(dated))
    since = np.array([(time - middle[0]).total_seconds() for time in middle])
    mean = middle[0] + timedelta(seconds=float(np.average(since, weights=weight)))
    begin = min(time - h for time, h in zip(middle, half, strict=True))
    end = max(time + h for time, h in zip(middle, half, strict=True))
    cards["TIMESYS"] = "UTC"
    cards["TIMEUNIT"] = "s"
    cards["DATE-OBS"] = (_iso(begin), "start of the first exposure")
    cards["DATE-BEG"] = (_iso(begin), "start of the first exposure")
    cards["DATE-AVG"] = (_iso(mean), "weighted mean of the exposures' middles")
    cards["DATE-END"] = (_iso(end), "end of the last exposure")
    cards["TELAPSE"] = (round((end - begin).total_seconds(), 3), "[s] from DATE-BEG to DATE-END")
    return cards


def _iso(time: datetime) -> str:
    """UTC to the nearest millisecond, without a zone as FITS requires."""
    rounded = time.astimezone(UTC) + timedelta(microseconds=500)
    return rounded.replace(tzinfo=None).isoformat(timespec="milliseconds")


def _column(kind: str, values: list[Any]) -> tuple[str, NDArray[Any]]:
    """TFORM and data of one column."""
    if kind in ("A", "time"):
        iso = kind == "time"
        texts = [
            (_iso(datetime.fromisoformat(v)) if iso else ascii_text(v)) if v else "" for v in values
        ]
        longest = max([1, *map(len, texts)])
        return f"{longest}A", np.array(texts, dtype=f"S{longest}")
    if kind == "L":
        return kind, np.array(values, dtype=bool)
    if kind == "J":
        return kind, np.array([-1 if v is None else v for v in values], dtype=np.int32)
    if kind == "3E":
        empty = (np.nan,) * 3
        rows = [empty if v is None else v for v in values]
        return kind, np.array(rows, dtype=np.float32).reshape(-1, 3)
    dtype = np.float32 if kind == "E" else np.float64
    return kind, np.array([np.nan if v is None else v for v in values], dtype=dtype)


def _frame_table(frames: Sequence[FrameRecord]) -> bytes:
    """The bytes of the FRAMES extension."""
    columns = []
    for key, kind, unit in _COLUMNS:
        form, data = _column(kind, [dict(frame)[key] for frame in frames])
        null = -1 if kind == "J" else None
        columns.append(fits.Column(key.upper(), form, unit=unit, null=null, array=data))
    table = fits.BinTableHDU.from_columns(columns, name="FRAMES")
    table.header["COMMENT"] = "TIME is UTC at the middle of the exposure."
    table.header["COMMENT"] = "TURN_DEG: how far the sky had turned from the reference frame."
    table.header["COMMENT"] = r"Characters outside ASCII are written as in \u00e9."
    memory = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(memory, output_verify="exception")
    return memory.getvalue()[_BLOCK:]
