"""Darks, flats and biases as files: finding and grouping them, and leaving out unusable ones.

``make`` is the whole way from folders to masters.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import above_black, clip_level, span
from stackkit.calibration.dark_scaling import count_blobs
from stackkit.calibration.masters import Master, Setting, choose, make_master, middle_level
from stackkit.errors import InputError
from stackkit.raw.decode import Form, Mosaic, RawFileError, decode, why
from stackkit.raw.decode import kind as file_kind
from stackkit.raw.headers.metadata import Metadata, read_metadata
from stackkit.run.files import working_folder
from stackkit.run.progress import Progress
from stackkit.run.readers import Read, here
from stackkit.run.walk import tree
from stackkit.session.folder_kinds import Kind, kind_of_folder

_PLURAL = {Kind.DARK: "darks", Kind.FLAT: "flats", Kind.BIAS: "biases"}
_BRIGHTEST, _DARKEST = 0.8, 0.01
"""Limits of a flat's middle, as shares of the range: beyond them it is nonlinear or mostly noise
(common practice asks for a third to a half)."""
_SAME_TIME = 0.1
"""Share by which the exposures of a flat and its dark-flat may differ."""


@dataclass(frozen=True)
class CalibrationFrame:
    """One file, by its header."""

    path: Path
    kind: Kind
    size: tuple[int, int]
    metadata: Metadata


@dataclass(frozen=True)
class LeftOut:
    """A file that is in no master, and why."""

    path: Path
    reason: str


@dataclass(frozen=True)
class Group:
    """Frames that make one master."""

    kind: Kind
    size: tuple[int, int]
    camera: str | None
    iso: int | None
    exposure: float | None
    frames: tuple[CalibrationFrame, ...] = ()


@dataclass
class Made:
    """The masters, the files that are in none, and sentences on substitutes that were used."""

    masters: list[Master] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def find(
    folders: Sequence[Path], kind: Kind | None = None, read: Read = here
) -> tuple[list[CalibrationFrame], list[LeftOut]]:
    """The calibration frames in ``folders``, and the other files, with the reason.

    A folder named after a kind (dark, flats, dark-flats, offsets, …) holds frames of it; any other
    is searched for such folders in it, at any depth.  With ``kind`` the folders' own files are of
    that kind.  Raises ``InputError`` when a folder cannot be read or there is no frame.
    """
    frames, left_out = _frames_in(_named(folders, kind), read)
    if not frames:
        raise InputError(_nothing(folders, left_out))
    return frames, left_out


def within(
    folders: Sequence[Path], read: Read = here, places: Sequence[Path] = ()
) -> tuple[list[CalibrationFrame], list[LeftOut]]:
    """The same of folders named after a kind *within* ``folders``, nothing if there are none, and
    of ``places``, which may be such folders themselves.
    """
    inner = [place for f in folders if f.is_dir() for place in _named_within(f)]
    return _frames_in([*inner, *_named(places)], read)


def _named(folders: Sequence[Path], kind: Kind | None = None) -> list[tuple[Path, Kind]]:
    """The folders that are of a kind themselves, and those within them that are."""
    places: list[tuple[Path, Kind]] = []
    for folder in folders:
        own = kind or kind_of_folder(folder)
        if own:
            places.append((folder, own))
        if not kind:
            places += _named_within(folder)
    return places


def _named_within(folder: Path) -> list[tuple[Path, Kind]]:
    _entries(folder)  # raises for one that cannot be read
    branches = tree(folder, lambda path: kind_of_folder(path) is not None)
    inner = [(path, kind_of_folder(path)) for branch in branches for path in branch.folders]
    return [(path, kind) for path, kind in inner if kind]


def _frames_in(
    places: Sequence[tuple[Path, Kind]], read: Read
) -> tuple[list[CalibrationFrame], list[LeftOut]]:
    frames: dict[Path, CalibrationFrame] = {}
    left_out: list[LeftOut] = []
    for place, own in places:
        for path in _entries(place):
            if path.is_dir() or path.resolve() in frames:
                continue
            found = _examined(path, own, read)
            if isinstance(found, LeftOut):
                left_out.append(found)
            else:
                frames[path.resolve()] = found
    return list(frames.values()), left_out


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(p for p in folder.iterdir() if not p.name.startswith("."))
    except NotADirectoryError as error:
        raise InputError(f"{folder} is a file. Give the folder that holds the frames.") from error
    except FileNotFoundError as error:
        raise InputError(f"There is no folder {folder}. Check the name.") from error
    except OSError as error:
        raise InputError(f"Cannot read {folder}: {why(error)}.") from error


def _examined(path: Path, kind: Kind, read: Read) -> CalibrationFrame | LeftOut:
    try:
        found = read(file_kind, path)
        metadata = read(read_metadata, path)
    except RawFileError as fault:
        return LeftOut(path, fault.reason)
    if found.form is not Form.MOSAIC or found.size is None:
        return LeftOut(path, found.reason or "not a raw mosaic")
    return CalibrationFrame(path, kind, found.size, metadata)


def _nothing(folders: Sequence[Path], left_out: Sequence[LeftOut]) -> str:
    where = ", ".join(map(str, folders))
    if left_out:
        first = left_out[0]
        more = f" and {len(left_out) - 1} more" if len(left_out) > 1 else ""
        return (
            f"No raw pictures in {where}. Found instead: {first.path.name}{more} ({first.reason})."
        )
    return (
        f"There are no darks, flats or biases in {where}. Put them into folders named dark, flat, "
        "bias or dark-flat, or say with --kind what the folder holds."
    )


def grouped(frames: Sequence[CalibrationFrame]) -> list[Group]:
    """Frames of one camera and size; darks and biases of one ISO, darks of one exposure.

    Biases come first and flats last, so that flats find the masters to subtract from them.
    """
    groups: dict[Group, list[CalibrationFrame]] = {}
    for frame in frames:
        said = frame.metadata
        iso = None if frame.kind is Kind.FLAT else said.iso
        seconds = said.exposure if frame.kind is Kind.DARK else None
        exposure = float(f"{seconds:.3g}") if seconds else None
        group = Group(frame.kind, frame.size, said.camera, iso, exposure)
        groups.setdefault(group, []).append(frame)
    order = (Kind.BIAS, Kind.DARK, Kind.FLAT)
    return sorted(
        (replace(group, frames=tuple(members)) for group, members in groups.items()),
        key=lambda g: (order.index(g.kind), g.camera or "", g.size, g.iso or 0, g.exposure or 0),
    )


def make(
    groups: Sequence[Group],
    folder: Path | None = None,
    progress: Progress | None = None,
    read: Read = here,
) -> Made:
    """A master of each group, in the order of ``grouped``.

    ``folder`` is where frames may lie meanwhile (None: the system's temporary place).  Raises
    ``OutputError`` when it is full; a group without a usable frame is left out with the reason.
    """
    made = Made()
    for group in groups:
        first = _first_readable(group, read)
        if first is None:
            made.left_out += [LeftOut(f.path, "damaged or cut short") for f in group.frames]
            continue
        coding = mosaic_cache.coding_for(float(first.black.max()), first.white)
        setting = Setting(group.camera, group.iso, group.exposure, _pattern(first))
        planes = _usable(
            group, setting, made, read, progress or (lambda _step, _done, _total: None)
        )
        start = next(planes, None)
        if start is None:
            continue
        with working_folder(folder) as place:
            frames = chain([start], planes)
            made.masters.append(make_master(group.kind, frames, setting, coding, place))
    return made


def _first_readable(group: Group, read: Read) -> Mosaic | None:
    for frame in group.frames:
        with suppress(RawFileError):
            mosaic: Mosaic = read(decode, frame.path)
            return mosaic
    return None


def _usable(
    group: Group, setting: Setting, made: Made, read: Read, progress: Progress
) -> Iterator[Plane]:
    """ADU (H, W) of the frames that can be used, flats less their dark or bias.

    What cannot be used is added to ``made.left_out``.
    """
    bare = False
    for number, frame in enumerate(group.frames, 1):
        progress(f"Reading {_PLURAL[group.kind]}", number, len(group.frames))
        try:
            mosaic: Mosaic = read(decode, frame.path)
            reason = _unlike(mosaic, group, setting) or fault_of(group.kind, mosaic)
        except RawFileError as fault:
            reason = fault.reason
        if reason:
            made.left_out.append(LeftOut(frame.path, reason))
            continue
        plane = _unclipped(mosaic)
        if group.kind is Kind.FLAT:
            offset = _offset_for(frame, made.masters)
            bare |= offset is None
            plane = plane if offset is None else plane - offset.value
        yield plane
    if bare:
        made.remarks.append(
            "No bias, and no dark of the flats' own exposure, goes with the flats: only the files' "
            "black level was taken off them, which is good enough for phones."
        )


def _unlike(mosaic: Mosaic, group: Group, setting: Setting) -> str:
    """How a mosaic differs from its group's headers."""
    if mosaic.data.shape != group.size[::-1]:
        return "another size than its file said"
    if _pattern(mosaic) != setting.pattern:
        return "its Bayer pattern differs from the others'"
    if mosaic.missing is not None:
        return "cut off, and masters are made of whole frames only"
    return ""


def _offset_for(flat: CalibrationFrame, masters: Sequence[Master]) -> Master | None:
    """The dark-flat or else the bias of a flat."""
    said = flat.metadata
    offsets = [m for m in masters if m.kind is not Kind.FLAT]
    chosen = choose(offsets, said.camera, flat.size, said.iso, said.exposure)
    own = chosen.dark.setting.exposure if chosen.dark else None
    if own and said.exposure and abs(own / said.exposure - 1) <= _SAME_TIME:
        return chosen.dark
    return chosen.bias


def _pattern(mosaic: Mosaic) -> tuple[int, int, int, int]:
    a, b, c, d = (int(colour) for colour in mosaic.pattern.ravel())
    return a, b, c, d


def _unclipped(mosaic: Mosaic) -> Plane:
    """ADU above black (H, W) of a mosaic, NaN where clipped or marked as bad in the file."""
    adu = above_black(mosaic)
    adu[adu >= clip_level(mosaic)] = np.nan
    return adu


def fault_of(kind: Kind, mosaic: Mosaic) -> str:
    """Why a frame cannot serve as one of its kind; empty when it can."""
    adu = _unclipped(mosaic)
    whole = span(mosaic)
    clipped = float(np.mean(np.isnan(adu)))
    level = middle_level(adu)
    if kind is Kind.FLAT:
        return _flat_fault(level / whole, clipped)
    return _dark_fault(kind, adu, level, whole, clipped)


def _flat_fault(share: NDArray[np.float64], clipped: float) -> str:
    highest, lowest = np.nanmax(share, initial=-np.inf), np.nanmin(share, initial=np.inf)
    if clipped > 0.02 or highest > _BRIGHTEST:
        return (
            f"overexposed: its middle is at {100 * min(highest, 1.0):.0f} % of the range, and "
            f"{100 * clipped:.0f} % of it is clipped; a third to a half is good"
            if np.isfinite(highest)
            else "overexposed: all of it is clipped; a third to a half of the range is good"
        )
    if lowest < _DARKEST:
        return (
            f"too dark: its middle is at {max(100 * lowest, 0.0):.1f} % of the range; a third to "
            "a half is good"
        )
    return ""


def _dark_fault(
    kind: Kind, adu: Plane, level: NDArray[np.float64], whole: float, clipped: float
) -> str:
    cover = "Cover the lens tightly" if kind is Kind.DARK else "Cover the lens"
    if clipped > 0.1:
        return f"{100 * clipped:.0f} % of it is clipped: it is no {kind}. {cover}"
    # Without light all colours are alike; residual black levels differ by an ADU or two.
    apart = float(np.ptp(level))
    if apart > max(2.0, 1e-3 * whole) and apart > 0.1 * float(np.max(level)):
        return f"light is in it: its colours differ in level by {apart:.0f} ADU. {cover}"
    standing, blobs = count_blobs(adu)
    if blobs >= 8 and blobs > 0.05 * standing:
        return f"stars or lights are in it ({blobs} bright places several pixels wide). {cover}"
    return ""
