"""Which files make the session, what role each has, and in what order."""

from __future__ import annotations

import os
import re
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from stackkit.errors import InputError
from stackkit.raw.decode import Form, Kind, kind, why
from stackkit.raw.metadata import Metadata, read_metadata
from stackkit.raw.readers import Read, here


class Role(StrEnum):
    """What a file is in the session."""

    LIGHT = "light"
    OTHER = "other"


@dataclass(frozen=True)
class Frame:
    """One file of the folder.

    ``reason`` says why a file that is no light is left out; ``size`` is the (width, height) of
    the visible mosaic in sensor orientation, None where the file is no picture; ``form`` is how
    raw it is.
    """

    path: Path
    role: Role
    metadata: Metadata
    reason: str = ""
    size: tuple[int, int] | None = None
    form: Form = Form.MOSAIC


@dataclass(frozen=True)
class Session:
    """The files in time order (file order where times are missing)."""

    frames: tuple[Frame, ...]

    @property
    def lights(self) -> tuple[Frame, ...]:
        """The frames that can be stacked, in order."""
        return tuple(frame for frame in self.frames if frame.role is Role.LIGHT)


def scan(
    paths: Sequence[Path],
    read: Read = here,
    each: Callable[..., Iterable[tuple[Kind, Metadata]]] = map,
) -> Session:
    """The session that lies in ``paths``: folders (their own files only) and single files.

    Files are known by their content; headers are read, pixels are not.  Hidden files and folders
    within folders are passed over; every other file becomes a frame.  The lights are the group
    of one camera and one size that holds most samples (of equals the earliest), by time if all of
    them have one, else by name with numbers in their order; the rest follow by name with their
    reason.
    Where there are no raw mosaics, raws whose colours are mixed already serve, and last of all
    pictures.  ``read`` calls a function of a path (``raw.readers``), ``each`` maps like ``map``.

    Raises ``InputError`` when a path cannot be read or nothing in them is a picture.
    """
    files = [path for folder in paths for path in _listed(folder)]
    known = each(lambda path: read(examine, path), files)
    frames = _once([_frame(path, *found) for path, found in zip(files, known, strict=True)])
    possible = [frame for frame in frames if frame.role is Role.LIGHT]
    others = [frame for frame in frames if frame.role is Role.OTHER]
    if not possible:
        raise InputError(_nothing_found(paths, others))
    best = min((frame.form for frame in possible), key=list(Form).index)
    candidates = _in_order([frame for frame in possible if frame.form is best])
    others += [_less_raw(frame) for frame in possible if frame.form is not best]
    groups = Counter(_group(frame) for frame in candidates)
    # By the samples they hold, so that many tiny files do not outvote a night; the first of equals.
    common = max(groups, key=lambda group: groups[group] * _pixels(group))
    lights = [replace(f, reason="") for f in candidates if _group(f) == common]
    others += [_odd_one(frame, lights[0]) for frame in candidates if _group(frame) != common]
    return Session((*_in_order(lights), *sorted(others, key=_by_name)))


def _listed(path: Path) -> list[Path]:
    """The file itself, or the folder's visible files."""
    try:
        if not stat.S_ISDIR(path.stat().st_mode):
            return [path]
        entries = list(path.iterdir())
    except FileNotFoundError as error:
        raise InputError(f"There is no folder or file {path}. Check the name.") from error
    except OSError as error:
        raise InputError(f"Cannot read {path}: {why(error)}.") from error
    files = [e for e in entries if not e.name.startswith(".") and not os.path.isdir(e)]
    if not files:
        inside = "holds no files of its own. If the raw files lie in a folder within it, give that"
        what = inside if entries else "is empty. Give the folder that holds the raw files"
        raise InputError(f"There is nothing to stack: {path} {what}.")
    return files


def _once(frames: list[Frame]) -> list[Frame]:
    """No light twice: not by a name given twice, not by a link to it."""
    first: dict[str, Frame] = {}
    kept = {os.path.abspath(frame.path): frame for frame in sorted(frames, key=_by_name)}
    for name, frame in kept.items():
        same = first.setdefault(os.path.realpath(frame.path), frame)
        if same is not frame and frame.role is Role.LIGHT:
            kept[name] = replace(
                frame, role=Role.OTHER, reason=f"the same file as {_apart(same.path, frame.path)}"
            )
    return list(kept.values())


def _apart(one: Path, other: Path) -> str:
    """Name of the one file, with its folder where both are named alike."""
    return one.name if one.name != other.name else str(one)


def examine(path: Path) -> tuple[Kind, Metadata]:
    """What the file is, and what it says of itself; nothing if it is no picture."""
    found = kind(path)
    return found, Metadata() if found.form is Form.NONE else read_metadata(path)


def _frame(path: Path, found: Kind, metadata: Metadata) -> Frame:
    """The file as a light, or as something else with the reason."""
    role = Role.OTHER if found.form is Form.NONE else Role.LIGHT
    return Frame(path, role, metadata, found.reason, found.size, found.form)


def _less_raw(frame: Frame) -> Frame:
    """A frame that would serve if there were nothing better."""
    return replace(frame, role=Role.OTHER, reason=frame.reason or "less raw than the others")


def _group(frame: Frame) -> tuple[str | None, tuple[int, int] | None]:
    return frame.metadata.camera, frame.size


def _pixels(group: tuple[str | None, tuple[int, int] | None]) -> int:
    width, height = group[1] or (0, 0)
    return width * height


def _odd_one(frame: Frame, light: Frame) -> Frame:
    """The frame left out because it is not like the lights."""
    if frame.size != light.size:
        reason = f"another size: {_sides(frame)}, the others are {_sides(light)}"
    else:
        camera, common = (f.metadata.camera or "unknown" for f in (frame, light))
        reason = f"another camera: {camera}, the others are from {common}"
    return replace(frame, role=Role.OTHER, reason=reason)


def _sides(frame: Frame) -> str:
    return "×".join(map(str, frame.size or ()))


def _in_order(frames: list[Frame]) -> list[Frame]:
    by_name = sorted(frames, key=_by_name)
    times = {frame.path: frame.metadata.time for frame in frames}
    if None in times.values():
        return by_name
    return sorted(by_name, key=lambda frame: times[frame.path])  # type: ignore[arg-type,return-value]


def _by_name(frame: Frame) -> tuple[list[str | int], str]:
    """Natural order, folder by folder: night_2 before night_10."""
    name = str(frame.path)
    parts = re.split(r"([0-9]+)", name.casefold())  # every second part is a number
    return [int(part) if k % 2 else part for k, part in enumerate(parts)], name


def _nothing_found(paths: Sequence[Path], others: list[Frame]) -> str:
    """The sentence for a folder without raw pictures: what was found instead."""
    reasons: dict[str, list[str]] = {}
    for frame in others:
        reasons.setdefault(frame.reason, []).append(frame.path.name)
    found = []
    for reason, names in reasons.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        found.append(f"{names[0]}{more} ({reason})")
    where = ", ".join(map(str, paths)) or "no folder at all"
    return (
        f"No raw pictures in {where}. Found instead: {', '.join(found) or 'nothing'}. "
        "Give the folder that holds the camera's own raw files."
    )
