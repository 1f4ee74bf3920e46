"""From paths to the record of an inspection: reading and measuring, one frame at a time.

Files are decoded in separate processes, and no more frames are in memory than there are jobs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np

from stackkit.align.register import Registration, register
from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import above_black, clip_level
from stackkit.calibration.frames import fault_of
from stackkit.calibration.mosaic_cache import Cache
from stackkit.grading.grade import Grade, grade
from stackkit.grading.photometric import transparencies
from stackkit.inspect.facts import FEW_STARS, Facts, halved, measure, seen
from stackkit.inspect.listing import Batch, Purpose, Survey, survey
from stackkit.inspect.motion import Motion, motion
from stackkit.inspect.record import record
from stackkit.inspect.sample import Sample, chosen, study
from stackkit.raw.decode import Mosaic, RawFileError, decode
from stackkit.raw.headers.metadata import focal_px, up
from stackkit.run.files import working_folder
from stackkit.run.progress import Progress
from stackkit.run.readers import Read
from stackkit.run.workers import workers
from stackkit.schemas.inspection import InspectionRecord
from stackkit.session.by_sky import by_sky, measurer
from stackkit.session.folder_kinds import Kind
from stackkit.stars.detect import Stars, detect
from stackkit.stars.first_check import UNSEEN, FirstCheck, first_check
from stackkit.stars.measure import Measurement
from stackkit.stars.sky_mesh import Sky, measure_sky

_KINDS = {Purpose.DARK: Kind.DARK, Purpose.FLAT: Kind.FLAT, Purpose.BIAS: Kind.BIAS}
_PAIRS = 3
"""Number of pairs of frames from which noise is measured."""
_ANOTHER_SIZE = "another size than its file said"
_ANOTHER_LAYOUT = "its Bayer pattern differs from the others'"


@dataclass
class Measured:
    """Measurements by number in the survey; ``samples`` by number of the batch.

    ``faults``: why a frame cannot be read, or is not fit for its purpose.  ``grades`` are those
    of the session's lights, with their ``motion``.
    """

    facts: dict[int, Facts] = field(default_factory=dict)
    faults: dict[int, str] = field(default_factory=dict)
    samples: dict[int, Sample] = field(default_factory=dict)
    tables: dict[int, Stars] = field(default_factory=dict)
    skies: dict[int, Sky] = field(default_factory=dict)
    first_checks: dict[int, FirstCheck] = field(default_factory=dict)
    grades: dict[int, Grade] = field(default_factory=dict)
    motion: Motion | None = None


@dataclass(frozen=True)
class _Context:
    """What reading needs: processes, threads, a report of progress."""

    read: Read
    pool: Executor
    progress: Progress


def inspect(
    paths: Sequence[Path], jobs: int | None = None, progress: Progress | None = None
) -> InspectionRecord:
    """The record of the files and folders ``paths``, all measured.

    ``jobs``: threads, None for all cores.  Raises ``InputError`` when a path cannot be read or
    nothing in them is a picture, ``OutputError`` when the temporary folder is full.
    """
    with _context(jobs, progress) as context:
        context.progress("Sorting the frames", 0, 1)
        measure = measurer(context.read)
        listed = survey(
            paths,
            context.read,
            context.pool.map,
            lambda listing: by_sky(listing, measure, context.pool.map),
        )
        context.progress("Sorting the frames", 1, 1)
        return record(listed, _measured(listed, context))


def headers(
    paths: Sequence[Path], jobs: int | None = None, progress: Progress | None = None
) -> InspectionRecord:
    """The same from the headers alone, which is quick; the pictures are not measured."""
    with _context(jobs, progress) as context:
        return record(survey(paths, context.read, context.pool.map), None)


@contextmanager
def _context(jobs: int | None, progress: Progress | None) -> Iterator[_Context]:
    with workers(jobs) as (pool, read):
        yield _Context(read, pool, progress or (lambda _step, _done, _total: None))


def _measured(listed: Survey, context: _Context) -> Measured:
    found = Measured()
    total = sum(len(batch.frames) for batch in listed.batches)
    for number, batch in enumerate(listed.batches):
        # A frame by itself is decoded once for both; several do not stay in memory.
        read = cache(context.read) if len(batch.frames) == 1 else context.read
        sample = _sample(listed, batch, replace(context, read=read))
        if sample is not None:
            found.samples[number] = sample
        for k, one in zip(
            batch.frames,
            context.pool.map(lambda k, s=sample, r=read: _one(listed, k, s, r), batch.frames),
            strict=True,
        ):
            if isinstance(one, str):
                found.faults[k] = one
            else:
                _keep(found, k, one)
            context.progress("Measuring the frames", len(found.facts) + len(found.faults), total)
    _judge(listed, found)
    return found


@dataclass(frozen=True)
class _Frame:
    """What is kept of one frame."""

    facts: Facts
    fault: str
    stars: Stars | None = None
    sky: Sky | None = None
    first_check: FirstCheck = UNSEEN


def _keep(found: Measured, k: int, one: _Frame) -> None:
    found.facts[k] = one.facts
    if one.fault:
        found.faults[k] = one.fault
    if one.stars is not None and one.sky is not None:
        found.tables[k], found.skies[k], found.first_checks[k] = one.stars, one.sky, one.first_check


def _sample(listed: Survey, batch: Batch, context: _Context) -> Sample | None:
    """Noise and defects from a few frames of the batch; None when none of them can be read."""
    numbers = [batch.frames[k] for k in chosen(len(batch.frames))]
    context.progress("Looking at a few", 0, 1)
    with working_folder(None) as folder:

        def put(k: int) -> Mosaic | None:
            mosaic = _read(listed, k, context.read)
            if isinstance(mosaic, str) or _fault(batch.purpose, mosaic):
                return None
            coding = mosaic_cache.coding_for(float(mosaic.black.max()), mosaic.white)
            shape = (mosaic.data.shape[0], mosaic.data.shape[1])
            mosaic_cache.put(Cache(folder, shape, coding), k, above_black(mosaic))
            return replace(mosaic, data=mosaic.data[:2, :2].copy(), missing=None)

        heads = dict(zip(numbers, context.pool.map(put, numbers), strict=True))
        rest = (k for k in batch.frames if k not in heads)
        while not any(heads.values()) and (k := next(rest, None)) is not None:
            heads[k] = put(k)
        alike = _alike({k: head for k, head in heads.items() if head is not None})
        if not alike:
            return None
        head = next(iter(alike.values()))
        width, height = listed.items[numbers[0]].size or (0, 0)
        coding = mosaic_cache.coding_for(float(head.black.max()), head.white)
        places = [batch.frames.index(k) for k in alike]
        follow = [
            (batch.frames[a], batch.frames[b])
            for a, b in pairwise(places)
            if b == a + 1 and batch.purpose is not Purpose.SHORT
        ]
        cache = Cache(folder, (height, width), coding)
        profile = listed.items[next(iter(alike))].metadata.noise_profile
        return study(cache, list(alike), follow[:_PAIRS], head, profile, context.pool)


def _alike(heads: dict[int, Mosaic]) -> dict[int, Mosaic]:
    """Those with the same levels and layout as the first."""
    kept: dict[int, Mosaic] = {}
    for k, head in heads.items():
        first = next(iter(kept.values()), head)
        levels = (float(head.black.max()), head.white) == (float(first.black.max()), first.white)
        if levels and np.array_equal(head.pattern, first.pattern):
            kept[k] = head
    return kept


def _read(listed: Survey, k: int, read: Read) -> Mosaic | str:
    """The mosaic, or why there is none."""
    item = listed.items[k]
    try:
        mosaic: Mosaic = read(decode, item.path)
    except RawFileError as fault:
        return fault.reason
    return mosaic if mosaic.data.shape[::-1] == item.size else _ANOTHER_SIZE


def _one(listed: Survey, k: int, sample: Sample | None, read: Read) -> _Frame | str:
    """The measurements of one frame, or why it cannot be read."""
    mosaic = _read(listed, k, read)
    if isinstance(mosaic, str):
        return mosaic
    if sample is not None and not np.array_equal(mosaic.pattern, sample.head.pattern):
        return _ANOTHER_LAYOUT
    adu = above_black(mosaic)
    purpose = listed.items[k].purpose
    if purpose is not Purpose.LIGHT or sample is None:
        return _Frame(measure(mosaic, adu), _fault(purpose, mosaic))
    adu[sample.defects] = np.nan
    clip = clip_level(mosaic)
    stars = detect(adu, mosaic.pattern, sample.noise.noise, clip)
    wide = None
    if len(stars) < FEW_STARS:
        half, noise = halved(adu, sample.noise.noise)
        wide = detect(half, mosaic.pattern, noise, clip)
    facts = measure(mosaic, adu, seen(stars, wide))
    return _Frame(facts, "", stars, measure_sky(adu, mosaic.pattern), first_check(adu, clip))


def _fault(purpose: Purpose, mosaic: Mosaic) -> str:
    """Why a calibration frame cannot be used; empty when it can, and for all others."""
    kind = _KINDS.get(purpose)
    return fault_of(kind, mosaic) if kind else ""


def _judge(listed: Survey, found: Measured) -> None:
    """Grades and motion of the session's lights, by the same rules as in stacking."""
    numbers = [k for k, item in enumerate(listed.items) if item.session and k in found.tables]
    batch = next((n for n, b in enumerate(listed.batches) if set(b.frames) & set(numbers)), None)
    tables = [found.tables[k] for k in numbers]
    if batch is None or batch not in found.samples or not any(len(table) for table in tables):
        return
    registration, light = None, [1.0] * len(tables)
    if len(tables) > 1:
        registration = _registration(listed, numbers, tables)
        light = transparencies(tables, registration.pairs, registration.reference)
        times = [listed.items[k].metadata.time for k in numbers]
        found.motion = motion(tables, times, registration, listed.items[numbers[0]].size or (1, 1))
    noise = found.samples[batch].noise.noise
    measurements = [
        Measurement(found.tables[k], found.skies[k], noise, found.first_checks[k]) for k in numbers
    ]
    graded = grade(measurements, light, registration)
    found.grades = dict(zip(numbers, graded, strict=True))


def _registration(listed: Survey, numbers: Sequence[int], tables: Sequence[Stars]) -> Registration:
    first = listed.items[numbers[0]]
    size = first.size or (1, 1)
    times = [listed.items[k].metadata.time for k in numbers]
    focal = focal_px(first.metadata, size)
    return register(tables, size, focal, up(first.metadata), times=times)
