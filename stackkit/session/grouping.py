"""Which files are pictures of the sky, which of them belong together, and which are stacked.

Decided here from headers alone; ``by_sky`` examines the stars as well.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Any

from stackkit.errors import InputError, UsageError
from stackkit.raw.examine import examine
from stackkit.raw.headers.kinds import FileKind, Form
from stackkit.raw.headers.metadata import Metadata
from stackkit.run.readers import Read, here
from stackkit.session.discover import File, files_in
from stackkit.session.duplicates import broken_off, same_files
from stackkit.session.folder_kinds import kind_of_folder

SHORTEST_NIGHT = 0.1
"""Seconds below which an exposure is no picture of the night sky (common practice)."""
_ANOTHER_NIGHT = timedelta(hours=6)
"""A pause long enough to mean another night: most of a day, or of another night."""

_MOST_LISTED = 6
"""Kinds of files that are listed where there is no picture."""


class Role(StrEnum):
    """What a file is in the session."""

    LIGHT = "light"
    COPY = "copy"
    OTHER = "other"


@dataclass(frozen=True)
class Frame:
    """One file of the folder.

    ``name`` is what it is called wherever names are shown, its path within the folder given.
    ``reason``: why a file that is no light is left out; ``size`` is the (width, height) of
    the visible mosaic in sensor orientation, None where the file is no picture; ``form`` is how
    raw it is; ``session`` is the number of the session it belongs to.
    """

    path: Path
    name: str
    role: Role
    metadata: Metadata
    reason: str = ""
    size: tuple[int, int] | None = None
    form: Form = Form.MOSAIC
    session: int | None = None


Lights = tuple[Frame, ...]
"""Frames that can be stacked together, by time if all have one, else by name."""


@dataclass(frozen=True)
class Listing:
    """All files: the pictures, grouped by how they were taken, and the rest with reasons."""

    groups: tuple[Lights, ...]
    others: tuple[Frame, ...]


@dataclass(frozen=True)
class Part:
    """One of the sessions that a folder holds.

    ``why`` it is not one with the session that is stacked, in a few words; empty for that one.
    """

    number: int
    lights: Lights
    why: str = ""


@dataclass(frozen=True)
class Session:
    """All files, the lights first in time order (file order where times are missing), and the
    ``parts`` of which one is stacked.
    """

    frames: tuple[Frame, ...]
    parts: tuple[Part, ...] = ()

    @property
    def lights(self) -> Lights:
        """The frames that are to be stacked, in order."""
        return tuple(frame for frame in self.frames if frame.role is Role.LIGHT)


Each = Callable[..., Iterable[Any]]
"""Maps a function over items, as ``map`` does."""


def listed(
    paths: Sequence[Path], read: Read = here, each: Each = map, besides: Sequence[Path] = ()
) -> Listing:
    """What lies in ``paths``: single files, and folders with all in them, hidden ones left aside.

    Folders named after a kind of calibration frames are left aside as well, and what is named in
    ``besides``.  Files are known by their content; headers are read, pixels are not.  Every file
    becomes a frame.  A group is of one form, camera, size, lens and night.  Pictures that are not
    raw serve where nothing else does.  ``read`` calls a function of a path (``raw.readers``),
    ``each`` maps like ``map``.

    Raises ``InputError`` when a path cannot be read or nothing in them is a picture.
    """
    frames = every_file(paths, read, each, besides)
    lights = [frame for frame in frames if frame.role is Role.LIGHT]
    others = [frame for frame in frames if frame.role is not Role.LIGHT]
    if not lights:
        raise InputError(_nothing_found(paths, others))
    if any(frame.form is not Form.PICTURE for frame in lights):
        others += [_beside(frame, lights) for frame in lights if frame.form is Form.PICTURE]
        lights = [frame for frame in lights if frame.form is not Form.PICTURE]
    short = [frame for frame in lights if _is_short(frame)]
    if len(short) < len(lights):
        others += [_left_out(frame, _too_short(frame)) for frame in short]
        lights = [frame for frame in lights if not _is_short(frame)]
    nights = [night for group in _alike(lights) for night in _nights(group)]
    return Listing(tuple(nights), tuple(others))


def every_file(
    paths: Sequence[Path], read: Read = here, each: Each = map, besides: Sequence[Path] = ()
) -> list[Frame]:
    """The files in ``paths`` by name, each as a light or with its reason; see ``listed``.

    Raises ``InputError`` when a path cannot be read or holds no files.
    """
    files = files_in(paths, lambda folder: kind_of_folder(folder) is not None, besides)
    known = each(lambda file: _examined(file, read), files)
    frames = [_frame(file, *found) for file, found in zip(files, known, strict=True)]
    once = {os.path.abspath(frame.path): frame for frame in sorted(frames, key=_by_name)}
    return _without_copies(list(once.values()))


def chosen(listing: Listing, number: int | None = None) -> Session:
    """The session with this number, or that of the rawest form which holds most samples.

    Of equals the longest exposed, then the first.  They are numbered in time order.  Raises
    ``UsageError`` for a number that there is not.
    """
    groups = sorted(listing.groups, key=_begin)
    if number is not None and not 1 <= number <= len(groups):
        raise UsageError(_no_such(number, [Part(k, g) for k, g in enumerate(groups, 1)]))
    best = max(groups, key=_rank) if number is None else groups[number - 1]
    parts = []
    frames, others = [], list(listing.others)
    for k, group in enumerate(groups, 1):
        if group is best:
            frames += [replace(frame, session=k, reason="") for frame in group]
            parts.append(Part(k, tuple(frames)))
            continue
        why, reason = _why_apart(group, best)
        own = [replace(f, role=Role.OTHER, session=k, reason=reason) for f in group]
        parts.append(Part(k, tuple(own), why))
        others += own
    return Session((*frames, *sorted(others, key=_by_name)), tuple(parts))


def _examined(file: File, read: Read) -> tuple[FileKind, Metadata]:
    if file.reason:
        return FileKind(Form.NONE, None, file.reason), Metadata()
    found: tuple[FileKind, Metadata] = read(examine, file.path)
    return found


def _frame(file: File, found: FileKind, metadata: Metadata) -> Frame:
    """The file as a light, or as something else with the reason."""
    role = Role.OTHER if found.form is Form.NONE else Role.LIGHT
    return Frame(file.path, file.name, role, metadata, found.reason, found.size, found.form)


def _left_out(frame: Frame, reason: str) -> Frame:
    return replace(frame, role=Role.OTHER, reason=reason)


def _without_copies(frames: Sequence[Frame]) -> list[Frame]:
    """The frames, one of each picture: copies and broken-off copies are no lights."""
    names = {frame.path: frame.name for frame in frames}
    pictures = [frame.path for frame in frames if frame.role is Role.LIGHT]
    # A link is never the original; prefer a file less deep in the tree and with a shorter name.
    first = sorted(pictures, key=lambda p: (p.is_symlink(), len(p.parts), len(p.name)))
    original = same_files(first)
    single = [path for path in pictures if path not in original]
    cut = broken_off([frame.path for frame in frames if frame.path not in original], single)
    marked = []
    for frame in frames:
        if frame.path in original:
            reason = f"the same file as {names[original[frame.path]]}"
            frame = replace(frame, role=Role.COPY, reason=reason)
        elif frame.path in cut:
            reason = f"a broken-off copy of {names[cut[frame.path]]}"
            frame = replace(frame, role=Role.COPY, reason=reason)
        marked.append(frame)
    return marked


def _beside(frame: Frame, lights: Sequence[Frame]) -> Frame:
    """A picture left out, since there are raws; one of them may be of the same exposure."""
    own = [f for f in lights if f.form is not Form.PICTURE and _stem(f) == _stem(frame)]
    near = [f for f in own if f.path.parent == frame.path.parent] or own
    if len(near) != 1:
        return _left_out(frame, frame.reason)
    return _left_out(frame, f"{frame.reason}: {near[0].name} is its raw")


def _stem(frame: Frame) -> str:
    return frame.path.stem.casefold()


def _is_short(frame: Frame) -> bool:
    seconds = frame.metadata.exposure
    return seconds is not None and seconds < SHORTEST_NIGHT


def _too_short(frame: Frame) -> str:
    seconds = frame.metadata.exposure or SHORTEST_NIGHT
    return f"exposed for 1/{1 / seconds:.0f} s only, which shows no stars: a picture of the day"


def _alike(lights: Sequence[Frame]) -> list[list[Frame]]:
    """The frames by what they were taken with.

    Those whose lens is unknown (truncated files lose the tags at their end) go with the largest
    group whose lens is known.
    """
    groups: dict[tuple[Any, ...], list[Frame]] = {}
    for frame in lights:
        groups.setdefault(_setting(frame), []).append(frame)
    for setting in [setting for setting in groups if setting[3] == _NO_LENS]:
        like = [own for own in groups if own[:3] == setting[:3] and own != setting]
        if like:
            groups[max(like, key=lambda own: len(groups[own]))] += groups.pop(setting)
    return list(groups.values())


def _setting(frame: Frame) -> tuple[Any, ...]:
    """What frames have in common that can be stacked together."""
    said = frame.metadata
    return frame.form, said.camera, frame.size, _lens(frame)


_NO_LENS = (None, "unknown")


def _lens(frame: Frame) -> tuple[str | None, str]:
    """The lens by name and focal length."""
    focal = frame.metadata.focal_mm
    return frame.metadata.lens, f"{focal:.3g} mm" if focal else "unknown"


def in_order(frames: Sequence[Frame]) -> list[Frame]:
    """By time if all have one, else by name with numbers in their order."""
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


def _nights(group: Sequence[Frame]) -> list[Lights]:
    """Frames taken alike, each night's by themselves, in order.

    A frame without a time is of the same night as the one before it by name.
    """
    by_name = sorted(group, key=_by_name)
    known = sorted(frame.metadata.time for frame in group if frame.metadata.time)
    ends = [one for one, other in pairwise(known) if other - one > _ANOTHER_NIGHT]
    nights: list[list[Frame]] = [[] for _ in range(len(ends) + 1)]
    now = next((frame.metadata.time for frame in by_name if frame.metadata.time), None)
    for frame in by_name:
        now = frame.metadata.time or now
        nights[sum(now > end for end in ends) if now else 0].append(frame)
    return [tuple(in_order(night)) for night in nights]


def span_of(lights: Lights) -> tuple[datetime, datetime] | None:
    """Times of the first and the last exposure of those with a time."""
    known = [frame.metadata.time for frame in lights if frame.metadata.time]
    return (min(known), max(known)) if known else None


def _begin(lights: Lights) -> tuple[Any, ...]:
    """Sessions are sorted by time; those without one come last."""
    span = span_of(lights)
    return span is None, span[0].timestamp() if span else 0.0, _by_name(lights[0])


def _rank(lights: Lights) -> tuple[int, int, float]:
    """The rawest first, then by samples, so that many tiny files do not outvote a night."""
    width, height = lights[0].size or (0, 0)
    seconds = sum(frame.metadata.exposure or 0.0 for frame in lights)
    rank = -list(Form).index(lights[0].form)
    return rank, width * height * len(lights), seconds


def _why_apart(group: Lights, best: Lights) -> tuple[str, str]:
    """Why a session is another one, in a few words, and as the reason of each frame."""
    one, light = group[0], best[0]
    if one.form is not light.form:
        return f"{one.form}, not {light.form}", one.reason or "less raw than the others"
    if one.size != light.size:
        why = f"another size: {_sides(one)}"
        return why, f"{why}, the others are {_sides(light)}"
    if one.metadata.camera != light.metadata.camera:
        camera, common = (f.metadata.camera or "unknown" for f in (one, light))
        why = f"another camera: {camera}"
        return why, f"{why}, the others are from {common}"
    if _lens(one) != _lens(light):
        lens, common = (" ".join(filter(None, _lens(frame))) for frame in (one, light))
        why = f"another lens: {lens}"
        return why, f"{why}, the others are from {common}"
    own, usual = span_of(group), span_of(best)
    if own and usual and max(own[0] - usual[1], usual[0] - own[1]) > _ANOTHER_NIGHT:
        return "another night", "taken in another night than the others"
    return "another part of the sky", "it shows another part of the sky than the others"


def _sides(frame: Frame) -> str:
    return "×".join(map(str, frame.size or ()))


def _no_such(number: int, parts: Sequence[Part]) -> str:
    known = "; ".join(f"{part.number} ({described(part.lights)})" for part in parts)
    noun = "session" if len(parts) == 1 else "sessions"
    return f"There is no session {number} here, but {noun} {known}."


def described(lights: Lights) -> str:
    """A session in a few words: how many frames, from when on."""
    noun = "frame" if len(lights) == 1 else "frames"
    span = span_of(lights)
    return (
        f"{len(lights)} {noun} from {f'{span[0]:%Y-%m-%d %H:%M} UTC' if span else lights[0].name}"
    )


def _nothing_found(paths: Sequence[Path], others: list[Frame]) -> str:
    """The sentence for a folder without raw pictures: what was found instead."""
    reasons: dict[str, list[str]] = {}
    for frame in others:
        reasons.setdefault(frame.reason, []).append(frame.name)
    found = []
    for reason, names in list(reasons.items())[:_MOST_LISTED]:
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        found.append(f"{names[0]}{more} ({reason})")
    where = ", ".join(map(str, paths)) or "no folder at all"
    return (
        f"No raw pictures in {where}. Found instead: {', '.join(found) or 'nothing'}. "
        "Give the folder that holds the camera's own raw files."
    )
