"""What the campaign does with one file: everything that reading does, and all that follows."""

from __future__ import annotations

import ctypes
import os
import re
import time
import warnings
from copy import copy
from dataclasses import dataclass, replace
from itertools import pairwise
from math import isfinite
from pathlib import Path

import numpy as np

from stackkit.calibration.apply import calibrate
from stackkit.raw.decode import FileKind, Form, Mosaic, RawFileError, decode, kind
from stackkit.raw.headers.kinds import opened
from stackkit.raw.headers.metadata import Metadata, read_metadata, read_place
from stackkit.raw.opcodes import apply

_STATUS, _CLEAR = Path("/proc/self/status"), Path("/proc/self/clear_refs")
_LEFT_OVER = "what it decodes to hangs on what the memory held before"
_PIXELS = 50_000_000
"""Larger mosaics are only looked at, not calibrated: nothing but time is different in them."""


@dataclass(frozen=True)
class Seen:
    """What reading made of a file; ``mosaic`` may be why there is none.

    ``warned``: warnings that were given; ``seconds`` that the longest of the calls took (kind,
    metadata, samples), each of which is called by itself otherwise; ``peak`` of the memory in use;
    ``taken``: address space that was asked for at most, 0 unless the process never asked for more.
    Bytes (Linux; else 0).
    """

    kind: FileKind
    metadata: Metadata
    mosaic: Mosaic | RawFileError
    warned: tuple[str, ...]
    seconds: float
    peak: int
    taken: int


def examine(path: Path) -> Seen:
    """Everything that is asked of a file, in the process that reads it."""
    forget_peak()
    before, size = memory("VmPeak"), memory("VmSize")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        times = [time.perf_counter()]
        found = kind(path)
        times.append(time.perf_counter())
        metadata, _ = read_metadata(path), read_place(path)
        times.append(time.perf_counter())
        mosaic = _decoded(path, 0x55)
        times.append(time.perf_counter())
    seconds = max(b - a for a, b in pairwise(times))
    peak, most = memory("VmHWM"), memory("VmPeak")
    taken = most - size if most > before else 0
    if _known(path) and not _alike(mosaic, _decoded(path, 0xAA)):
        caught.append(warnings.WarningMessage(_LEFT_OVER, UserWarning, str(path), 0))
    return Seen(found, metadata, mosaic, _told(caught), seconds, peak, taken)


def _decoded(path: Path, fill: int) -> Mosaic | RawFileError:
    """The file decoded in memory that is not blank (glibc, mallopt(3), M_PERTURB)."""
    perturb = getattr(ctypes.CDLL(None), "mallopt", None) if os.name == "posix" else None
    if perturb:
        perturb(-6, fill)
    try:
        return decode(path)
    except RawFileError as reason:
        return copy(reason)  # without the traceback, which holds on to all that was read
    finally:
        if perturb:
            perturb(-6, 0xFF)  # as stackkit.run.reader


def _known(path: Path) -> bool:
    """Of other makers' raws nobody but LibRaw knows whether they are whole."""
    try:
        with opened(path) as file:
            return file.layout is not None or file.form is Form.PICTURE
    except RawFileError:
        return False


def _alike(one: Mosaic | RawFileError, other: Mosaic | RawFileError) -> bool:
    if isinstance(one, RawFileError) or isinstance(other, RawFileError):
        return str(one) == str(other)
    same = np.array_equal(one.black, other.black) and one.white == other.white
    return bool(same and np.array_equal(one.data, other.data))


def _told(caught: list[warnings.WarningMessage]) -> tuple[str, ...]:
    return tuple(f"{w.category.__name__}: {w.message}" for w in caught)


def forget_peak() -> None:
    """Let the peak of this process's memory begin anew (Linux, proc(5), clear_refs)."""
    if _CLEAR.exists():
        _CLEAR.write_text("5")


def memory(name: str) -> int:
    """A figure of proc(5), status, in bytes; 0 where the system has none."""
    if not _STATUS.exists():
        return 0
    found = re.search(rf"{name}:\s+(\d+) kB", _STATUS.read_text())
    return 1024 * int(found[1]) if found else 0


def wrong(seen: Seen, path: Path) -> list[str]:
    """What must not be, of what reading gave and of all that is then done with it.

    Raises whatever those functions raise.
    """
    found = [f"warning while reading: {words}" for words in seen.warned]
    found += _of_metadata(seen.metadata)
    if isinstance(seen.mosaic, RawFileError):
        return found + _of_words(str(seen.mosaic), path)
    mosaic, (height, width) = seen.mosaic, seen.mosaic.data.shape
    for remark in mosaic.remarks:
        found += [f"a remark in two lines: {remark!r}"] if "\n" in remark else []
    if seen.kind.form is Form.NONE or seen.kind.size != (width, height):
        found.append(f"decoded, but its kind is {seen.kind}")
    if sorted(mosaic.pattern.ravel()) != [0, 1, 1, 2] or mosaic.data.dtype != np.uint16:
        found.append(f"no Bayer mosaic: {mosaic.pattern.tolist()}, {mosaic.data.dtype}")
    if not (np.isfinite(mosaic.black).all() and mosaic.white > mosaic.black.max()):
        found.append(f"black {mosaic.black.tolist()}, white {mosaic.white}")
    if mosaic.balance is not None and not all(isfinite(x) and x > 0 for x in mosaic.balance):
        found.append(f"balance {mosaic.balance}")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        found += _of_use(mosaic)
    return found + sorted({f"in the main process, {words}" for words in _told(caught)})


def _of_use(mosaic: Mosaic) -> list[str]:
    """The functions downstream, each once."""
    codes, found = mosaic.opcodes, []
    asked = (*codes.raw, *codes.linear, *codes.picture)
    fates = apply.account(codes)
    if len(fates) != len(asked) or any("\n" in fate.what or not fate.what for fate in fates):
        found.append(f"fates {fates}")
    hint = apply.lens_hint(codes)
    if hint is not None and not np.isfinite([*hint.radial, *hint.centre, hint.unit]).all():
        found.append(f"lens {hint}")
    if mosaic.data.size > _PIXELS:
        return found
    marked = apply.marked_sites(codes, mosaic.data, mosaic.pattern)
    if marked is not None and marked.shape != mosaic.data.shape:
        found.append("marked sites of another size")
    plane = np.linspace(-0.1, 1.1, mosaic.data.size, dtype=np.float32).reshape(mosaic.data.shape)
    apply.apply(codes, plane, mosaic.pattern)
    gain = apply.gain_field(codes, plane.shape, mosaic.pattern)
    if np.isnan(plane).any():
        found.append("opcodes make samples that are no numbers")
    if np.isinf(plane).any() or (gain is not None and not (np.isfinite(gain) & (gain > 0)).all()):
        found.append("opcodes multiply beyond all numbers, or by nothing")
    calibrated = calibrate(mosaic)
    if calibrated.adu.shape != mosaic.data.shape or calibrated.adu.dtype != np.float32:
        found.append("calibrated samples of another form")
    if np.isinf(calibrated.adu).any():
        found.append("calibrated samples are infinite")
    if not (np.isfinite(calibrated.relief) & (calibrated.relief > 0)).all():
        found.append("the relief is no number, or nothing")
    if not (isfinite(calibrated.banding) and calibrated.banding >= 0):
        found.append(f"banding {calibrated.banding}")
    return found


def _of_words(told: str, path: Path) -> list[str]:
    """A sentence for a person: of one line, that names the file and no program's innards."""
    plain = told.startswith(f"{path}: ") and "\n" not in told and len(told) < 400
    foreign = re.search(r"Error|Exception|Traceback|0x[0-9a-f]{4}|None|\bnan\b", told)
    return [] if plain and not foreign else [f"not a plain sentence: {told}"]


def _of_metadata(said: Metadata) -> list[str]:
    """Figures that are there are numbers within reason (``Metadata``)."""
    figures = replace(said, camera=None, time=None, time_source=None, lens=None, software=None)
    wild = re.search(r"\b(nan|inf)\b", repr(figures))
    times = said.time is None or (said.time.tzinfo is not None and said.time_source)
    return [] if not wild and times else [f"metadata {said}"]
