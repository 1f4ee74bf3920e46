"""The files, the purpose of each, and which were taken alike; from headers only."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from stackkit.calibration.frames import CalibrationFrame, LeftOut, find, within
from stackkit.errors import InputError
from stackkit.raw.decode import Form
from stackkit.raw.headers.metadata import Metadata, read_place
from stackkit.run.readers import Read, here
from stackkit.session.folder_kinds import kind_of_folder
from stackkit.session.grouping import (
    SHORTEST_NIGHT,
    Each,
    Frame,
    Listing,
    Role,
    chosen,
    every_file,
    listed,
)


class Purpose(StrEnum):
    """What a file is for, by its folder and its exposure."""

    LIGHT = "light"
    SHORT = "short exposure"
    DARK = "dark"
    FLAT = "flat"
    BIAS = "bias"
    OTHER = "other"


@dataclass(frozen=True)
class Item:
    """One file.  ``session``: whether it would be one of the lights of the stack; ``reason``: why
    it cannot be used, or is not with the others; ``place``: whether it contains its location.
    """

    path: Path
    purpose: Purpose
    metadata: Metadata
    form: Form
    size: tuple[int, int] | None
    reason: str
    session: bool
    place: bool


@dataclass(frozen=True)
class Batch:
    """Frames taken alike (numbers in the survey): purpose, form, camera, size and setting."""

    purpose: Purpose
    frames: tuple[int, ...]


@dataclass(frozen=True)
class Survey:
    """All files, the session's in time order, and the batches of pictures."""

    items: tuple[Item, ...]
    batches: tuple[Batch, ...]


def by_headers(listing: Listing) -> Listing:
    """The sessions as found from the headers alone."""
    return listing


def survey(
    paths: Sequence[Path],
    read: Read = here,
    each: Each = map,
    sort: Callable[[Listing], Listing] = by_headers,
) -> Survey:
    """The survey of ``paths`` from headers: files, and folders with all files in them.

    ``sort`` may divide the lights further (``session.by_sky``).

    Folders named after a kind of calibration frames (``session.folder_kinds``), given or within a
    given one, contain those.  Raises ``InputError`` when a path cannot be read or there is no
    picture.
    """
    own = [path for path in paths if path.is_dir() and kind_of_folder(path)]
    rest = [path for path in paths if path not in own]
    frames, left_out = within(rest, read)
    named: tuple[list[CalibrationFrame], list[LeftOut]] = find(own, read=read) if own else ([], [])
    session = _session(rest, read, each, sort, others=bool(frames or named[0]))
    calibration = [*frames, *named[0]]
    every: list[Frame | CalibrationFrame] = [*session, *calibration]
    places = each(lambda frame: read(carries_place, frame.path), every)
    items = [_item(frame, place) for frame, place in zip(every, places, strict=True)]
    items += [
        Item(one.path, _named(one.path), Metadata(), Form.NONE, None, one.reason, False, False)
        for one in (*left_out, *named[1])
    ]
    items = _without_others(items)
    return Survey(tuple(items), batches(items))


def _named(path: Path) -> Purpose:
    """The purpose, from the folder's name."""
    named = kind_of_folder(path.absolute().parent)
    return Purpose(named) if named else Purpose.LIGHT


def _without_others(items: Sequence[Item]) -> list[Item]:
    """The items, with files that are not frames marked as ``OTHER``.

    An unreadable file counts as a frame if it has the frames' suffix; a picture beside raws does
    not.
    """
    raw = any(item.form is Form.MOSAIC and item.session for item in items)
    suffixes = {item.path.suffix.lower() for item in items if item.form is not Form.NONE}
    kept = []
    for item in items:
        text = item.form is Form.NONE and item.path.suffix.lower() not in suffixes
        beside = item.form is Form.PICTURE and raw and not item.session
        kept.append(replace(item, purpose=Purpose.OTHER) if text or beside else item)
    return kept


def carries_place(path: Path) -> bool:
    """Whether the file contains its location, which itself is not returned."""
    return read_place(path) is not None


def _session(
    paths: Sequence[Path],
    read: Read,
    each: Each,
    sort: Callable[[Listing], Listing],
    *,
    others: bool,
) -> tuple[Frame, ...]:
    """The frames outside folders of calibration frames.

    If there are ``others``, there need be no picture among these.
    """
    if not paths:
        return ()
    try:
        return chosen(sort(listed(paths, read, each))).frames
    except InputError:
        if not others or not all(path.exists() for path in paths):
            raise
    with suppress(InputError):  # nothing but calibration frames
        return tuple(every_file(paths, read, each))
    return ()


def _item(frame: Frame | CalibrationFrame, place: bool) -> Item:
    said = frame.metadata
    if isinstance(frame, CalibrationFrame):
        own = Purpose(frame.kind)
        return Item(frame.path, own, said, Form.MOSAIC, frame.size, "", False, place)
    named = kind_of_folder(frame.path.absolute().parent)
    light = frame.role is Role.LIGHT
    if frame.form is Form.NONE:
        purpose = _named(frame.path)
    elif named and light:  # a single file of such a folder
        purpose = Purpose(named)
    elif said.exposure is not None and said.exposure < SHORTEST_NIGHT:
        purpose = Purpose.SHORT
    else:
        purpose = Purpose.LIGHT
    session = light and purpose is Purpose.LIGHT
    return Item(frame.path, purpose, said, frame.form, frame.size, frame.reason, session, place)


def batches(items: Sequence[Item]) -> tuple[Batch, ...]:
    """Pictures of one purpose, form, camera, size, ISO and exposure; the largest lights first."""
    found: dict[tuple[Any, ...], list[int]] = {}
    for k, item in enumerate(items):
        if item.size is not None and item.purpose is not Purpose.OTHER:
            said = item.metadata
            exposure = f"{said.exposure:.3g}" if said.exposure else None
            setting = (item.purpose, item.form, said.camera, item.size, said.iso, exposure)
            found.setdefault(setting, []).append(k)
    order = list(Purpose)
    made = [Batch(setting[0], tuple(numbers)) for setting, numbers in found.items()]
    return tuple(sorted(made, key=lambda b: (order.index(b.purpose), -len(b.frames), b.frames)))
