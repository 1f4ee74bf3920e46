"""The whole line in order: session, raw, calibrate, stars, register, grade, integrate.

``stack`` is what the command runs; other commands are other ends of the same line.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit import account, calibrate, scratch
from stackkit.defects import find_defects
from stackkit.errors import InputError, UsageError
from stackkit.geometry import Mapping, plane_mapping
from stackkit.grade import Grade, grade, unread
from stackkit.integrate import NoiseBlocks, Placed, combine, total
from stackkit.methods import METHODS
from stackkit.noise import Noise, block_noise, measure_noise, measure_noise_alone
from stackkit.normalise import (
    Sky,
    flat_level,
    measure_sky,
    relative_level,
    relative_transparency,
)
from stackkit.opening import Bayer, bayer
from stackkit.output.files import working_folder
from stackkit.raw.decode import Mosaic, RawFileError, decode
from stackkit.register import Registration, register
from stackkit.reject import FEWEST, Verdict, judge
from stackkit.scratch import Cache
from stackkit.session import Frame, Session, scan
from stackkit.stack_result import Stack
from stackkit.stars import Stars, detect

Progress = Callable[[str, int, int], None]
"""Called with the step's name, how many are done, and how many there are."""

BY_SAMPLE = "by-sample"
"""The usual method: every raw sample judged by itself, the rest averaged."""

_FIRST_FRAMES = 9
"""Frames in the first stack: enough to judge by, and no more to wait for with a hundred."""
_UP = {
    **{1: (0.0, -1.0), 2: (0.0, -1.0), 3: (0.0, 1.0), 4: (0.0, 1.0)},
    **{5: (-1.0, 0.0), 6: (-1.0, 0.0), 7: (1.0, 0.0), 8: (1.0, 0.0)},
}
"""Where up lies in the sensor's picture (x, y), by the orientation tag of TIFF 6.0."""


@dataclass(frozen=True)
class Options:
    """``method``: ``by-sample`` or a name of ``methods.METHODS``; ``jobs``: threads, None for all
    cores; ``scratch``: where the cache of mosaics may lie, None for the system's place.
    """

    method: str = BY_SAMPLE
    jobs: int | None = None
    scratch: Path | None = None


@dataclass(frozen=True)
class Result:
    """The picture, the account of the run, and what the writers need of the camera."""

    stack: Stack
    record: dict[str, Any]
    balance: tuple[float, float, float] | None
    orientation: int
    white: float


@dataclass(frozen=True)
class _Lights:
    """The mosaics that are in the cache: the frame each came from, and one to speak for all."""

    cache: Cache
    numbers: list[int]
    mosaic: Mosaic
    pattern: NDArray[np.uint8]
    sensor: Bayer
    size: tuple[int, int]


@dataclass
class _Clock:
    """Seconds by step."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        start = time.perf_counter()
        yield
        self.seconds[name] = round(time.perf_counter() - start, 3)


def stack(
    paths: Sequence[Path | str], options: Options | None = None, progress: Progress | None = None
) -> Result:
    """Stack the raw frames in ``paths`` (folders or files).

    Raises ``InputError`` when there is nothing to stack, ``OutputError`` when the scratch place is
    full, ``UsageError`` for options that make no sense.
    """
    options = options or Options()
    if options.method not in (BY_SAMPLE, *METHODS):
        known = ", ".join((BY_SAMPLE, *METHODS))
        raise UsageError(f"There is no method “{options.method}”. Choose one of: {known}.")
    if options.jobs is not None and options.jobs < 1:
        raise UsageError("The number of jobs must be 1 or more.")
    tell = progress or (lambda _step, _done, _total: None)
    clock = _Clock()
    with clock.step("scan"):
        session = scan([Path(path) for path in paths])
    jobs = options.jobs or os.cpu_count() or 1
    options = replace(options, jobs=jobs)
    with working_folder(options.scratch) as folder, ThreadPoolExecutor(jobs) as pool:
        try:
            return _run(session, options, folder, pool, tell, clock)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _run(
    session: Session,
    options: Options,
    folder: Path,
    pool: Executor,
    tell: Progress,
    clock: _Clock,
) -> Result:
    frames = session.lights
    with clock.step("read"):
        lights, unreadable = _read_all(frames, folder, pool, tell)
    with clock.step("stars"):
        defects, noise, tables, skies = _look(lights, pool, tell)
    if not any(len(table) for table in tables):
        raise InputError(
            "There are no stars in any of the frames. Check that the lens was open and in focus, "
            "and that these are pictures of the night sky."
        )
    with clock.step("register"):
        tell("Aligning the frames", 0, 1)
        registration = _register(tables, lights, frames)
        transparency = _transparencies(tables, registration)
        grades = grade(tables, skies, transparency, noise, registration)
        placed = _place(lights, skies, noise, registration, grades)
        tell("Aligning the frames", 1, 1)
    with clock.step("integrate"):
        picture, summary = _integrate(lights, placed, defects, options.method, pool, tell)
    by_number: dict[int, Grade] = {k: unread(reason) for k, reason in unreadable.items()}
    by_number.update(zip(lights.numbers, grades, strict=True))
    record = account.record(
        session=session,
        grades=[by_number[k] for k in range(len(frames))],
        numbers=lights.numbers,
        registration=registration,
        mosaic=lights.mosaic,
        size=lights.size,
        options={"method": options.method, "jobs": options.jobs},
        integration={"method": options.method, "frames": len(placed), **summary},
        timing=clock.seconds,
    )
    reference = frames[lights.numbers[registration.reference if registration else 0]]
    white = float(lights.mosaic.white - lights.mosaic.black.max())
    return Result(picture, record, lights.mosaic.balance, reference.metadata.orientation, white)


def _read_all(
    frames: Sequence[Frame], folder: Path, pool: Executor, tell: Progress
) -> tuple[_Lights, dict[int, str]]:
    """Decode and calibrate all frames into the cache; why some could not be, by number."""
    reasons: dict[int, str] = {}
    heads: dict[int, Mosaic] = {}
    first = _first_readable(frames)
    height, width = first.data.shape
    coding = scratch.coding_for(float(first.black.max()), first.white)
    cache = Cache(folder, (height, width), coding)

    def read(number: int) -> Mosaic | str:
        try:
            mosaic = decode(frames[number].path)
        except RawFileError as error:
            return error.reason
        if mosaic.data.shape != cache.shape:
            return "another size than its file said"
        scratch.put(cache, number, calibrate.calibrate(mosaic))
        return replace(mosaic, data=mosaic.data[:2, :2].copy())

    for k, found in enumerate(pool.map(read, range(len(frames)))):
        if isinstance(found, str):
            reasons[k] = found
        else:
            heads[k] = found
        tell("Reading the frames", k + 1, len(frames))
    layouts = {k: tuple(head.pattern.ravel().tolist()) for k, head in heads.items()}
    usual = max(layouts.values(), key=list(layouts.values()).count)
    for k, own in layouts.items():
        if own != usual:
            reasons[k] = "its sensor's colours are laid out in another way than the others'"
    numbers = [k for k in heads if k not in reasons]
    mosaic = heads[numbers[0]]
    sensor = bayer(mosaic.pattern, width, height, mosaic.balance)
    return _Lights(cache, numbers, mosaic, mosaic.pattern, sensor, (width, height)), reasons


def _first_readable(frames: Sequence[Frame]) -> Mosaic:
    """The first frame that can be decoded.  Raises ``InputError`` when none can."""
    reasons = []
    for frame in frames:
        try:
            return decode(frame.path)
        except RawFileError as error:
            reasons.append(f"{frame.path.name}: {error.reason}")
    listed = "; ".join(reasons[:3])
    raise InputError(f"None of the raw files could be read ({listed}). Copy them again.")


def _look(
    lights: _Lights, pool: Executor, tell: Progress
) -> tuple[NDArray[np.bool_], Noise, list[Stars], list[Sky]]:
    """Defects, noise, and each frame's stars and sky."""
    cache, numbers = lights.cache, lights.numbers
    tell("Finding hot pixels", 0, 1)
    defects = find_defects(cache, numbers, pool)
    tell("Finding hot pixels", 1, 1)
    clip = calibrate.clip_level(lights.mosaic)

    def clean(number: int) -> NDArray[np.float32]:
        codes = scratch.get(cache, number, scratch.whole(cache))
        return scratch.decode(codes, cache.coding, without=defects)

    if len(numbers) > 1:
        middle = len(numbers) // 2
        noise = measure_noise([(clean(numbers[middle - 1]), clean(numbers[middle]))])
    else:
        noise = measure_noise_alone(clean(numbers[0]))

    def one(number: int) -> tuple[Stars, Sky]:
        adu = clean(number)
        return detect(adu, lights.pattern, noise, clip), measure_sky(adu, lights.pattern)

    tables, skies = [], []
    for table, sky in pool.map(one, numbers):
        tables.append(table)
        skies.append(sky)
        tell("Finding stars", len(tables), len(numbers))
    return defects, noise, tables, skies


def _register(
    tables: Sequence[Stars], lights: _Lights, frames: Sequence[Frame]
) -> Registration | None:
    """The session's geometry; None for a single frame."""
    if len(tables) < 2:
        return None
    seen = frames[lights.numbers[0]].metadata
    focal = seen.focal_35mm
    diagonal = float(np.hypot(*lights.size))
    # 43.27 mm is the diagonal of 36 x 24 mm, to which "35 mm equivalent" refers.
    focal_px = focal / 43.27 * diagonal if focal else None
    return register(tables, lights.size, focal_px, _UP[seen.orientation])


def _transparencies(tables: Sequence[Stars], registration: Registration | None) -> list[float]:
    if registration is None:
        return [1.0] * len(tables)
    reference = tables[registration.reference]
    return [
        relative_transparency(reference, table, pairs)
        for table, pairs in zip(tables, registration.pairs, strict=True)
    ]


def _place(
    lights: _Lights,
    skies: Sequence[Sky],
    noise: Noise,
    registration: Registration | None,
    grades: Sequence[Grade],
) -> list[Placed]:
    """The used frames ready for integration, the reference first."""
    if registration is None:
        alone = plane_mapping(np.eye(3))
        return [Placed(lights.numbers[0], alone, flat_level(lights.size), noise, 1.0)]
    reference = registration.reference
    placed = []
    for k in sorted(range(len(grades)), key=lambda k: (k != reference, k)):
        mapping: Mapping | None = registration.mappings[k]
        if not grades[k].used or mapping is None:
            continue
        level = flat_level(lights.size)
        if k != reference:
            light = grades[k].transparency or 1.0
            level = relative_level(skies[reference], skies[k], mapping, lights.size, light)
        placed.append(Placed(lights.numbers[k], mapping, level, noise, grades[k].weight))
    return placed


def _integrate(
    lights: _Lights,
    placed: Sequence[Placed],
    defects: NDArray[np.bool_],
    method: str,
    pool: Executor,
    tell: Progress,
) -> tuple[Stack, dict[str, Any]]:
    """The picture, and what there is to say of it: defects, share rejected, noise."""

    def told(name: str) -> Callable[[int, int], None]:
        return lambda done, of: tell(name, done, of)

    grid = (lights.cache, placed, lights.sensor)
    if method != BY_SAMPLE:
        picture = combine(*grid, defects, METHODS[method], pool, told("Combining"))
        return picture, _summary(defects, None, None)
    verdict, expected = Verdict(defects, None, 0.0), None
    few = _spread_over(placed, _FIRST_FRAMES)
    # With few frames a hot pixel weighs in the first stack that is to tell it: judged twice.
    for _ in range(0 if len(placed) < FEWEST else 2 if len(few) == len(placed) else 1):
        first = combine(
            lights.cache,
            few,
            lights.sensor,
            verdict.defects,
            METHODS["median"],
            pool,
            told("First stack"),
        )
        verdict = judge(*grid, verdict.defects, first, pool, told("Rejecting outliers"))
        expected = first.value
        del first
    known = (verdict.defects, verdict.pattern, expected)
    picture, noise = total(*grid, *known, pool, told("Combining"))
    return picture, _summary(verdict.defects, verdict.rejected, noise)


def _spread_over(placed: Sequence[Placed], most: int) -> list[Placed]:
    """At most so many frames, evenly over the session, the reference first."""
    rest = sorted(placed[1:], key=lambda frame: frame.number)
    count = min(len(rest), most - 1)
    return [placed[0], *(rest[int(i)] for i in np.linspace(0, len(rest) - 1, count).round())]


def _summary(
    defects: NDArray[np.bool_], rejected: float | None, noise: NoiseBlocks | None
) -> dict[str, Any]:
    return {
        "defects": int(defects.sum()),
        "rejected_share": rejected,
        "noise_frame_adu": block_noise(noise.frame) if noise else None,
        "noise_stack_adu": block_noise(noise.stack) if noise else None,
    }
