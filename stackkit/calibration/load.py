"""From files to the cache of calibrated mosaics: the masters, and reading every light."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stackkit.arrays import Plane
from stackkit.calibration import frames as calibration_frames
from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import Calibrated, Correction, above_black, calibrate, clip_level
from stackkit.calibration.dark_scaling import fit_dark, to_subtract
from stackkit.calibration.master_file import read_master
from stackkit.calibration.masters import Chosen, Master, choose, described
from stackkit.calibration.mosaic_cache import Cache
from stackkit.calibration.quantiles import quantile_of
from stackkit.errors import InputError
from stackkit.noise.photon_transfer import photon_transfer, photon_transfer_alone, reconcile
from stackkit.raw.bayer import Bayer, bayer
from stackkit.raw.decode import Mosaic, RawFileError, decode, why
from stackkit.run.checkpoints import checkpointed
from stackkit.run.context import Context
from stackkit.run.readers import Read
from stackkit.session.folder_kinds import Kind
from stackkit.session.grouping import Frame

_TRIED = 7
"""Lights that a dark is tried on."""
_HEADROOM = 1.25
"""Frames of a session may carry somewhat stronger shading than the first."""
_MOST_GAIN = 16.0
_SAME_LEVEL = 0.05
"""Share of the range by which the levels of a session's frames may differ; some cameras measure
their black level anew in each frame.
"""


@dataclass(frozen=True)
class Lights:
    """The lights in the cache, by their numbers among the session's frames.

    ``mosaic`` is representative of all (its samples are only a corner); ``reliefs`` and
    ``bandings`` are as in ``calibration.apply.Calibrated``; ``shares`` of the samples present, 1
    except for truncated files; ``digests``: SHA-256 of their files; ``words``: how the masters were
    used, or why not.
    """

    cache: Cache
    numbers: list[int]
    mosaic: Mosaic
    sensor: Bayer
    size: tuple[int, int]
    correction: Correction
    reliefs: dict[int, Plane]
    bandings: dict[int, float]
    shares: dict[int, float]
    digests: dict[int, str]
    remarks: dict[int, tuple[str, ...]]
    words: tuple[str, ...]


@dataclass(frozen=True)
class _Head:
    """The small data of one light: a corner of its mosaic, results of calibration, the share of its
    samples present, and its file's SHA-256.
    """

    mosaic: Mosaic
    calibrated: Calibrated
    share: float
    digest: str


def find_masters(
    folders: Sequence[Path], given: Sequence[Path], context: Context
) -> tuple[list[Master], list[str], dict[str, str]]:
    """Masters ``given`` (files, or folders of them), made of calibration frames in ``folders``;
    sentences on those that cannot be used; SHA-256 of every file that was examined, by its path.

    Raises ``InputError`` for a master that cannot be read; calibration frames that cannot be used
    are only reported in the sentences.
    """
    missing = [path for path in given if not path.exists()]
    if missing:
        raise InputError(f"There is no master {missing[0]}. Check the name.")
    places = [path for path in given if path.is_dir()]
    files = [path for path in given if path.is_file()]
    for place in places:
        files += _master_files(place)
    masters = [read_master(path) for path in dict.fromkeys(files)]
    frames, left_out = calibration_frames.within(folders, context.read, places)
    if places and not files and not frames:
        raise InputError(
            f"There are neither masters nor calibration frames in {places[0]}. Give the folder "
            "that holds the master files, or folders named dark, flat or bias."
        )
    groups = calibration_frames.grouped(frames)
    made = calibration_frames.make(groups, context.place.folder, context.progress, context.read)
    words = [f"{out.path.name} is left out: {out.reason}." for out in (*left_out, *made.left_out)]
    sources = {path.as_posix(): digest_of(path) for path in (*files, *(f.path for f in frames))}
    return [*masters, *made.masters], [*words, *made.remarks], sources


def digest_of(path: Path) -> str:
    """SHA-256 (FIPS 180-4) of a file's bytes, in hexadecimal; empty when it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def _master_files(place: Path) -> list[Path]:
    try:
        return sorted(
            path
            for path in place.iterdir()
            if path.suffix.lower() in (".fits", ".fit") and not path.name.startswith(".")
        )
    except OSError as error:
        raise InputError(f"Cannot read {place}: {why(error)}.") from error


def read_lights(
    frames: Sequence[Frame], masters: Sequence[Master], context: Context
) -> tuple[Lights, dict[int, str]]:
    """All lights calibrated in a cache, and why some are not, by number.

    Raises ``InputError`` when none can be read.
    """

    def begin() -> tuple[Cache, Correction, tuple[str, ...]]:
        first = _first_readable(frames, context.read)
        cache = _empty_cache(context.place.folder, first, masters)
        return cache, *_fitted(frames, masters, first, cache, context)

    cache, correction, words = checkpointed(context.place.checkpoints, "calibration", begin)
    reasons: dict[int, str] = {}
    heads: dict[int, _Head] = {}

    def take(number: int) -> _Head | str:
        return checkpointed(
            context.place.checkpoints,
            f"{number:05d}.light",
            lambda: _take(frames[number].path, number, cache, correction, context.read),
            [mosaic_cache.mosaic_file(cache, number)],
        )

    for k, found in enumerate(context.pool.map(take, range(len(frames)))):
        if isinstance(found, str):
            reasons[k] = found
        else:
            heads[k] = found
        context.progress("Reading the frames", k + 1, len(frames))
    if not heads:
        raise _unreadable([f"{frames[k].name}: {reasons[k]}" for k in reasons])
    reasons |= _unlike_the_others({k: head.mosaic for k, head in heads.items()})
    numbers = [k for k in heads if k not in reasons]
    mosaic = heads[numbers[0]].mosaic
    height, width = cache.shape
    lights = Lights(
        cache=cache,
        numbers=numbers,
        mosaic=mosaic,
        sensor=bayer(mosaic.pattern, width, height, mosaic.balance, _clip_code(mosaic, cache)),
        size=(width, height),
        correction=correction,
        reliefs={k: heads[k].calibrated.relief for k in numbers},
        bandings={k: heads[k].calibrated.banding for k in numbers},
        shares={k: heads[k].share for k in numbers},
        digests={k: heads[k].digest for k in numbers},
        remarks={k: heads[k].mosaic.remarks for k in numbers},
        words=words,
    )
    return lights, reasons


def _clip_code(mosaic: Mosaic, cache: Cache) -> int:
    """Code of the cache above which a sample may be clipped."""
    adu = clip_level(mosaic)
    return int((adu + cache.coding.pedestal) / cache.coding.step) + 1


def _unlike_the_others(heads: dict[int, Mosaic]) -> dict[int, str]:
    """Why some lights do not match the others: their layout, or levels that no camera changes."""
    layouts = {k: tuple(head.pattern.ravel().tolist()) for k, head in heads.items()}
    usual = max(layouts.values(), key=list(layouts.values()).count)
    levels = np.array([(float(head.black.mean()), head.white) for head in heads.values()])
    black, white = np.median(levels, axis=0)
    reasons = {}
    for (k, own), (dark, bright) in zip(layouts.items(), levels, strict=True):
        if own != usual:
            reasons[k] = "its Bayer pattern differs from the others'"
        elif max(abs(dark - black), abs(bright - white)) > _SAME_LEVEL * (white - black):
            reasons[k] = "its black or white level is not that of the others: damaged"
    return reasons


def _first_readable(frames: Sequence[Frame], read: Read) -> Mosaic:
    """The first frame that can be decoded.  Raises ``InputError`` when none can."""
    reasons = []
    for frame in frames:
        try:
            mosaic: Mosaic = read(decode, frame.path)
        except RawFileError as error:
            reasons.append(f"{frame.name}: {error.reason}")
        else:
            return mosaic
    raise _unreadable(reasons)


def _unreadable(reasons: Sequence[str]) -> InputError:
    listed = "; ".join(reasons[:3])
    return InputError(f"None of the raw files could be read ({listed}). Copy them again.")


def _take(path: Path, number: int, cache: Cache, correction: Correction, read: Read) -> _Head | str:
    """Reads one light into the cache; returns its small data, or why it cannot be used."""
    before = _state(path)
    try:
        mosaic: Mosaic = read(decode, path)
    except RawFileError as error:
        return error.reason if path.exists() else "it went away before it was read"
    digest = digest_of(path)
    if _state(path) != before:
        return "it changed while it was being read"
    if mosaic.data.shape != cache.shape:
        return "another size than its file said"
    found = calibrate(mosaic, correction)
    mosaic_cache.put(cache, number, found.adu)
    share = 1.0 if mosaic.missing is None else 1 - float(mosaic.missing.mean())
    corner = mosaic.data[:2, :2].copy()
    head = replace(mosaic, data=corner, black_detail=None, missing=None)
    return _Head(head, replace(found, adu=found.adu[:0]), share, digest)


def _state(path: Path) -> tuple[int, int] | None:
    """Size and time of the last change; None for what is not there."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _empty_cache(folder: Path, first: Mosaic, masters: Sequence[Master]) -> Cache:
    """A cache whose codes have room for the brightest sample times its largest gain."""
    flats = [float(np.nanmin(m.value)) for m in masters if m.kind is Kind.FLAT]
    gains = [1 / max(low, 1 / _MOST_GAIN) for low in flats]
    strongest = max([*gains, float(calibrate(first).relief.max()) * _HEADROOM])
    gain = min(strongest, _MOST_GAIN) if strongest > _HEADROOM else 1.0
    black = float(first.black.max())
    height, width = first.data.shape
    coding = mosaic_cache.coding_for(black, black + gain * first.white)
    return Cache(folder, (height, width), coding)


def _fitted(
    frames: Sequence[Frame],
    masters: Sequence[Master],
    first: Mosaic,
    cache: Cache,
    context: Context,
) -> tuple[Correction, tuple[str, ...]]:
    """The correction by the masters that fit these lights, and in words why others do not."""
    if not masters:
        return Correction(), ()
    said = frames[0].metadata
    pattern = tuple(first.pattern.ravel().tolist())
    alike = [m for m in masters if m.setting.pattern == pattern]
    words = [
        f"The {described(m)} is left out: its Bayer pattern differs."
        for m in masters
        if m.setting.pattern != pattern
    ]
    size = (cache.shape[1], cache.shape[0])
    chosen = choose(alike, said.camera, size, said.iso, said.exposure)
    words += chosen.words
    dark = chosen.bias.value if chosen.bias else None
    if chosen.dark is not None:
        context.progress("Trying the dark", 0, 1)
        dark, sentence = _dark_for(frames, chosen, cache, context)
        words.append(sentence)
        context.progress("Trying the dark", 1, 1)
    elif chosen.bias is not None:
        words.append(f"The {described(chosen.bias)} is taken off.")
    if chosen.flat is not None:
        words.append(f"The {described(chosen.flat)} evens the field.")
    return Correction(dark, chosen.flat.value if chosen.flat else None), tuple(words)


def _dark_for(
    frames: Sequence[Frame], chosen: Chosen, cache: Cache, context: Context
) -> tuple[Plane | None, str]:
    """ADU to subtract, by a dark fitted to some of the lights, and a sentence about the fit."""
    assert chosen.dark is not None
    few = np.unique(np.linspace(0, len(frames) - 1, _TRIED).round().astype(int)).tolist()
    planes: list[Plane] = []
    numbers = []
    clip = np.inf
    for number in few:
        try:
            mosaic: Mosaic = context.read(decode, frames[number].path)
        except RawFileError:
            continue
        if mosaic.data.shape == cache.shape:
            adu, clip = above_black(mosaic), clip_level(mosaic)
            planes = [*planes[-1:], adu]
            clipped = adu >= clip
            mosaic_cache.put(cache, number, np.where(clipped, np.nan, adu).astype(np.float32))
            numbers.append(number)
    if not numbers:
        return None, f"The {described(chosen.dark)} is left out: no light can be read."
    middle = quantile_of(cache, numbers, 0.5, context.pool) * np.float32(cache.coding.step)
    fit = fit_dark(middle, chosen.dark, chosen.bias, frames[numbers[0]].metadata.exposure)
    pair = photon_transfer([(planes[0], planes[1])], clip) if len(planes) > 1 else None
    noise, _ = reconcile(pair or photon_transfer_alone(planes[-1], clip), None)
    sky = float(np.nanmedian(planes[-1]))
    return to_subtract(chosen.dark, fit, chosen.bias, noise, sky), fit.words
