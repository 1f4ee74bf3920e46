"""Which frames were aimed at one part of the sky, by the stars on both sides of a gap.

The aim may have changed where nothing was taken for a while.  Only frames beside such gaps are
decoded.  Frames whose stars match belong together, however long the gap was; they are separated
only where both have enough stars, similar in number and width, and these do not match.  Frames
left undecided by clouds or blur stay with those nearest in time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product, takewhile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackkit.align.matching import LEAST_PAIRS, match
from stackkit.align.pairing import typical_width
from stackkit.arrays import Plane
from stackkit.calibration.apply import above_black, clip_level, span
from stackkit.noise.photon_transfer import Noise
from stackkit.raw.decode import Mosaic, RawFileError, decode
from stackkit.robust import MAD_TO_SIGMA
from stackkit.run.context import Context
from stackkit.run.readers import Read
from stackkit.session.grouping import Frame, Lights, Listing, Role, Session, chosen, listed
from stackkit.session.pauses import pauses
from stackkit.stars.detect import Stars, detect, select

_BRIGHTEST = 400
_ENOUGH = 15
"""Stars that a frame must show to conclude that it is of another part of the sky."""
_TRIED = 5
"""Frames around the middle that are tried for stars."""
_FEWER, _WIDER = 0.15, 2.0
"""Number and width of the stars, relative to the other frame's, at which clouds or blur may be why
they do not match."""
_COMMON = 0.25
"""Share of the field that two frames must have in common to be stacked into one picture."""
_STILL, _MOSTLY = 0.7, 0.7
"""px within which a detection stays where it was, and the share of them that makes it the sky."""
_LONE, _BESIDE = 8.0, 0.15
"""Standard deviations by which a hot site stands out, and the share of it beside it."""
_NO_LIGHT = 5e-4
"""Share of the range by which the colours of a frame without light differ from black."""
_DAYLIGHT = 0.3
"""Share of the range above which a sky is no night sky."""
DARK = "no light in it: taken with the lens covered"
DAY = "bright as day, and no stars in it"


@dataclass(frozen=True)
class QuickMeasure:
    """A quick measurement of one frame; ``level``: that of the brightest colour, ADU above black,
    and the ``span`` from black to white.
    """

    stars: Stars
    level: float
    span: float


Measurer = Callable[[Frame], QuickMeasure | None]
"""A quick measurement of a frame; None where it cannot be read."""


def session_of(
    paths: Sequence[Path], besides: Sequence[Path], number: int | None, context: Context
) -> Session:
    """The session in ``paths`` that holds most samples, or the one with this number.

    Raises as ``session.listed`` and ``session.chosen``.
    """
    context.progress("Sorting the frames", 0, 1)
    listing = listed(paths, context.read, context.pool.map, besides)
    session = chosen(by_sky(listing, measurer(context.read), context.pool.map), number)
    context.progress("Sorting the frames", 1, 1)
    return session


def measurer(read: Read) -> Measurer:
    """Quick measurements of frames that are decoded by ``read``."""

    def measure(frame: Frame) -> QuickMeasure | None:
        try:
            return quick_measure(read(decode, frame.path))
        except RawFileError:
            return None

    return measure


def quick_measure(mosaic: Mosaic) -> QuickMeasure:
    """The brighter stars of a mosaic, found without knowing the sensor, and how bright it is."""
    adu, clip = above_black(mosaic), clip_level(mosaic)
    levels = [
        float(np.nanmedian(adu[y::8, x::8])) for y, x in np.ndindex(2, 2) if adu[y::8, x::8].size
    ]
    # Four samples of one colour, a column apart: half of the variance of their differences.
    steps = np.diff(adu[::4, ::2], axis=1)
    sigma = MAD_TO_SIGMA * float(np.nanmedian(np.abs(steps))) / np.sqrt(2)
    noise = Noise(0.0, max(sigma, 0.3) ** 2)
    adu[_lone(adu, noise.floor**0.5)] = np.nan
    stars = detect(adu, mosaic.pattern, noise, clip)
    return QuickMeasure(
        select(stars, np.arange(min(len(stars), _BRIGHTEST))), max(levels), span(mosaic)
    )


def _lone(adu: Plane, sigma: float) -> NDArray[np.bool_]:
    """Sites (H, W) that stand out with nothing beside them, as hot ones do and stars do not."""
    # Every third row and column has all colours, and tells the level as well.
    level = np.float32(np.nanmedian(adu[::3, ::3]))
    around = np.pad(np.nan_to_num(adu - level, nan=0.0), 1, mode="edge")
    excess = around[1:-1, 1:-1]
    beside = np.maximum(
        np.maximum(around[:-2, 1:-1], around[2:, 1:-1]),
        np.maximum(around[1:-1, :-2], around[1:-1, 2:]),
    )
    return np.asarray((excess > _LONE * sigma) & (beside - 2 * sigma < _BESIDE * excess))


def same_sky(one: Stars, other: Stars) -> bool | None:
    """Whether the two show one part of the sky; None where this is undecided.

    Detections at the same site in both are set aside first: hot sites and lamps would match
    whatever the sky does.  Only where nearly all are fixed is it the sky that does not move.  They
    are of different parts if little of the field is common to both; or if nothing matches though
    both show enough stars, similar in number and width.
    """
    few, many = sorted((len(one), len(other)))
    if few < LEAST_PAIRS:
        return None
    stays, stood = (_near(a, b) for a, b in ((one, other), (other, one)))
    found = match(one.xy[~stays], other.xy[~stood])
    if found is not None:
        pairs = found.pairs
        shares = (
            _extent(table.xy[~still][own]) / _extent(table.xy)
            for table, still, own in ((one, stays, pairs[:, 0]), (other, stood, pairs[:, 1]))
        )
        return len(pairs) < _ENOUGH or min(shares) > _COMMON
    if stays.sum() > _MOSTLY * few and match(one.xy, other.xy) is not None:
        return True
    thin, wide = sorted((typical_width(one), typical_width(other)))
    alike = few >= max(_ENOUGH, _FEWER * many) and wide <= _WIDER * thin
    return False if alike else None


def _extent(xy: NDArray[np.float64]) -> float:
    """Area, px², of the upright rectangle around places (N, 2)."""
    return float(np.prod(np.ptp(xy, axis=0)))


def _near(one: Stars, other: Stars) -> NDArray[np.bool_]:
    """Which stars (N,) of the one have a star of the other at their site."""
    away, _ = cKDTree(other.xy).query(one.xy, distance_upper_bound=_STILL)
    return np.asarray(np.isfinite(away))


def by_sky(
    listing: Listing, measure: Measurer, each: Callable[..., Iterable[QuickMeasure | None]] = map
) -> Listing:
    """The listing with each group parted by where the camera was aimed.

    Frames at a group's gaps that are dark or bright as day are left out.  ``each`` maps like
    ``map`` and may do so in parallel.
    """
    if [len(group) for group in listing.groups] == [1]:
        return listing
    cuts = [_runs(group) for group in listing.groups]
    ends = [
        group[k]
        for group, runs in zip(listing.groups, cuts, strict=True)
        for run in runs
        for k in sorted({run[0], run[-1]})
    ]
    known = dict(zip((f.path for f in ends), each(measure, ends), strict=True))

    def once(frame: Frame) -> QuickMeasure | None:
        if frame.path not in known:
            known[frame.path] = measure(frame)
        return known[frame.path]

    groups: list[Lights] = []
    others = list(listing.others)
    for group, runs in zip(listing.groups, cuts, strict=True):
        parts, left_out = _parted(group, runs, once)
        groups += parts
        others += left_out
    # If no frame is left, all are kept: registration then reports that there are no stars.
    return Listing(tuple(groups), tuple(others)) if groups else listing


Run = range
"""Numbers of frames that follow each other without a gap."""


def _runs(group: Lights) -> list[Run]:
    """The runs of a group.  A frame without a time counts as taken with the one before it."""
    now = next((frame.metadata.time for frame in group if frame.metadata.time), None)
    if now is None:
        return [range(len(group))]
    times = []
    for frame in group:
        now = frame.metadata.time or now
        times.append(now)
    found = pauses(times, [frame.metadata.exposure or 0.0 for frame in group])
    return [range(a, b) for a, b in pairwise([0, *(p.after + 1 for p in found), len(group)])]


@dataclass(frozen=True, eq=False)
class _Aim:
    """Numbers of frames that were aimed alike, and the stars of some; none where clouds hide
    where they were aimed.
    """

    frames: tuple[int, ...]
    seen: tuple[Stars, ...] = ()


def _parted(
    group: Lights, runs: Sequence[Run], measure: Measurer
) -> tuple[list[Lights], list[Frame]]:
    """A group by aim, and its frames that are no pictures of the sky, with their reasons."""

    def see(k: int) -> QuickMeasure | None:
        return measure(group[k])

    pieces: list[_Aim] = []
    reasons: dict[int, str] = {}
    for run in runs:
        (first, words), (last, others) = _edge(run, see), _edge(run[::-1], see)
        reasons |= words | others
        if first is None or last is None:
            pieces.append(_Aim(tuple(run)))
        else:
            pieces += _pieces(run, first, last, see)
    aims: list[_Aim] = []
    for piece in sorted(pieces, key=lambda piece: not piece.seen):  # the undecided last
        aims = _joined(aims, piece)
    parts = [tuple(group[k] for k in sorted(aim.frames) if k not in reasons) for aim in aims]
    left_out = [replace(group[k], role=Role.OTHER, reason=why) for k, why in reasons.items()]
    return [part for part in parts if part], left_out


def _joined(aims: Sequence[_Aim], piece: _Aim) -> list[_Aim]:
    """The aims with one more piece: with those whose sky it shows, or by itself, or, where nothing
    is sure, with the nearest in time.
    """
    answers = [{same_sky(a, b) for a in aim.seen for b in piece.seen} for aim in aims]
    own = [aim for aim, said in zip(aims, answers, strict=True) if True in said]
    unsure = [aim for aim, said in zip(aims, answers, strict=True) if False not in said]
    if not own and unsure:
        own = [min(unsure, key=lambda aim: min(abs(k - piece.frames[0]) for k in aim.frames))]
    together = [*own, piece]
    frames = tuple(k for aim in together for k in aim.frames)
    seen = tuple(table for aim in together for table in aim.seen)
    return [*(aim for aim in aims if aim not in own), _Aim(frames, seen)]


def _edge(run: Run, see: Callable[[int], QuickMeasure | None]) -> tuple[int | None, dict[int, str]]:
    """The first frame with stars, searched in growing steps, and the frames before it that are no
    pictures of the sky, with the reason.
    """
    places = [2**n - 1 for n in range(len(run).bit_length())]
    blank = list(takewhile(lambda k: not _starry(see(run[k])), places))
    end = places[len(blank)] if len(blank) < len(places) else len(run)
    first = run[end] if end < len(run) else None
    words = _no_sky(see(run[0]))
    alike = list(takewhile(lambda k: words and _no_sky(see(run[k])) == words, blank))
    if not alike:
        return first, {}
    # Frames between two examined ones are taken to be like them; then one by one.
    last = alike[-1]
    while last + 1 < end and _no_sky(see(run[last + 1])) == words:
        last += 1
    return first, dict.fromkeys(run[: last + 1], words)


def _starry(seen: QuickMeasure | None) -> bool:
    return seen is not None and len(seen.stars) >= _ENOUGH


def _no_sky(seen: QuickMeasure | None) -> str:
    """Why a frame without stars is no picture of the night sky; empty if it may be one."""
    if seen is None or len(seen.stars) >= _ENOUGH:
        return ""
    if seen.level > _DAYLIGHT * seen.span:
        return DAY
    dark = seen.level < max(_NO_LIGHT * seen.span, 1.0) and len(seen.stars) < LEAST_PAIRS
    return DARK if dark else ""


def _pieces(
    run: Run, first: int, last: int, see: Callable[[int], QuickMeasure | None]
) -> Iterator[_Aim]:
    """A run divided where its stars change, from the ``first`` frame with stars to the ``last``.

    One frame alone is no other aim: something else is wrong with it.
    """

    def stars(k: int) -> Stars | None:
        seen = see(k)
        return seen.stars if seen is not None and _starry(seen) else None

    changes = _changes(first, last, stars, run)
    starts = [run[0], *(after for _, after in changes), run[-1] + 1]
    ends = [k for change in changes for k in change]
    pairs = zip([first, *ends[1::2]], [*ends[::2], last], strict=True)
    for (a, b), pair in zip(pairwise(starts), pairs, strict=True):
        alone = b - a == 1 and len(run) > 1
        seen = [] if alone else [stars(k) for k in dict.fromkeys(pair)]
        yield _Aim(tuple(range(a, b)), tuple(table for table in seen if table is not None))


def _changes(
    one: int, other: int, stars: Callable[[int], Stars | None], run: Run
) -> list[tuple[int, int]]:
    """Frames with stars between which the aim changed, found by halving what lies between."""
    if one == other or _same(one, other, stars):
        return []
    middle = (one + other) // 2
    near = sorted(range(one + 1, other), key=lambda k: abs(k - middle))[:_TRIED]
    between = next((k for k in near if stars(k) is not None), None)
    if between is not None:
        return [*_changes(one, between, stars, run), *_changes(between, other, stars, run)]
    # One of the two may be blurred or clouded: those beside them are tried as well.
    before = [k for k in range(one, one - _TRIED, -1) if k in run]
    after = [k for k in range(other, other + _TRIED) if k in run]
    pairs = sorted(product(before, after), key=lambda pair: pair[1] - pair[0])
    said = (_same(a, b, stars) for a, b in pairs)
    answer = next((same for same in said if same is not None), None)
    return [(one, other)] if answer is False else []


def _same(one: int, other: int, stars: Callable[[int], Stars | None]) -> bool | None:
    """Whether two frames of a run show one part of the sky; None where this is undecided."""
    left, right = stars(one), stars(other)
    return None if left is None or right is None else same_sky(left, right)
