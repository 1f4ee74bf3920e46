"""The whole pipeline in order: session, raw, calibrate, stars, register, grade, integrate.

``stack`` is what the command runs; other commands use parts of the same pipeline.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stackkit.align.pairing import typical_width
from stackkit.align.register import Registration, register
from stackkit.calibration import apply
from stackkit.calibration.load import Lights, find_masters, read_lights
from stackkit.errors import InputError, UsageError
from stackkit.geometry.mapping import AnyMapping, plane_mapping
from stackkit.grading.grade import Grade, grade, unread
from stackkit.grading.photometric import flat_level, relative_level, transparencies
from stackkit.integration.methods import Method, method_named
from stackkit.integration.passes import (
    Integration,
    clip,
    combine_by_sample,
    combined,
    finest,
    judge_samples,
)
from stackkit.integration.tiles import Placed
from stackkit.picture.colour.camera import camera_colour
from stackkit.picture.colour.develop import CameraWhite, camera_white
from stackkit.picture.colour.starlight import star_colour
from stackkit.picture.thumbnails import FramePictures, make_thumbnails, opened
from stackkit.raw.headers.metadata import Location, focal_px, read_place, up
from stackkit.raw.opcodes.apply import lens_hint
from stackkit.record import run
from stackkit.record.picture import integration_record
from stackkit.results import Result, Stack
from stackkit.run.checkpoints import checkpointed
from stackkit.run.context import Context
from stackkit.run.progress import Clock, Progress
from stackkit.run.workers import workers
from stackkit.run.workspace import Workspace, check_room, passing
from stackkit.schemas.picture import IntegrationRecord
from stackkit.sensor.noise_model import SensorNoise
from stackkit.session.by_sky import session_of
from stackkit.session.grouping import Frame, Session
from stackkit.stars.detect import Stars
from stackkit.stars.measure import Measurement, measure_frames
from stackkit.stars.photometry import measurable

BY_SAMPLE = "by-sample"
"""The usual method: every raw sample judged by itself, the rest averaged."""


@dataclass(frozen=True)
class Options:
    """``method``: ``by-sample`` or a name of ``methods.METHODS``; ``masters``: master files or
    folders of them, besides what lies in the session's own folders; ``jobs``: threads, None for all
    cores; ``scratch``: where the cache of mosaics may lie, None for the system's place;
    ``keep_place``: whether the place where the frames were taken goes into the results;
    ``sampling``: places of the grid a pixel in either direction, 1 or 2, the latter where the
    frames support it; ``session``: the number of the one to stack where the folder holds several,
    None for the one with most samples.
    """

    method: str = BY_SAMPLE
    masters: tuple[Path, ...] = ()
    jobs: int | None = None
    scratch: Path | None = None
    keep_place: bool = False
    sampling: Literal[1, 2] = 1
    session: int | None = None


def stack(
    paths: Sequence[Path | str],
    options: Options | None = None,
    progress: Progress | None = None,
    work: Workspace | None = None,
) -> Result:
    """Stack the raw frames in ``paths`` (folders or files).

    ``work``: where a run that was killed goes on; without it a temporary folder serves.
    Raises ``InputError`` when there is nothing to stack, ``OutputError`` when the scratch place is
    full, ``UsageError`` for options that make no sense.
    """
    options = options or Options()
    method = None if options.method == BY_SAMPLE else method_named(options.method, (BY_SAMPLE,))
    if options.sampling not in (1, 2):
        raise UsageError("The sampling must be 1 or 2.")
    if options.sampling > 1 and method is not None:
        raise UsageError(
            f"A finer grid is made by the usual method only, not by “{method.name}”: leave out "
            "--method or --sampling."
        )

    def whole() -> Result:
        with prepared(paths, options, progress, work) as ready:
            with ready.clock.step("integrate"):
                integration = _integrate(ready, method)
            found = result_of(ready, integration)
        found.record["warnings"] += _of_changes(work.changed() if work else [])
        return found

    return checkpointed(work.checkpoints if work else None, "result", whole)


def _of_changes(paths: Sequence[str]) -> list[str]:
    """Remarks on files that were changed, or disappeared, while the run was reading them."""
    if not paths:
        return []
    more = f" and {len(paths) - 1} more" if len(paths) > 1 else ""
    return [
        f"While this ran, {paths[0]}{more} changed or went away. The picture was made from what had"
        " been read until then; run again to be sure."
    ]


def _integrate(ready: Prepared, method: Method | None) -> Integration:
    """The picture by a method of the table, or by the usual one."""
    lights, placed = ready.lights, ready.placed
    judgement = judge_samples(lights, placed, ready.suspects, ready.context)
    if method is not None:
        # Defects belong to the sensor, whatever the method; the method decides which samples count.
        return combined(lights, placed, judgement, method, ready.context)
    width = typical_width(ready.tables[ready.reference])
    sampling, why = finest(ready.options.sampling, len(placed), width)
    picture, noise = combine_by_sample(lights, placed, judgement, ready.context, sampling)
    return Integration(picture, BY_SAMPLE, judgement.verdict, noise, sampling, why)


@dataclass(frozen=True)
class Prepared:
    """A session read, calibrated, measured and aligned: all that integration needs, and the record.

    ``paths`` are those given; ``unreadable``: reasons of lights that gave no samples, by number;
    ``told``: remarks on the masters, ``sources``: their files' SHA-256; ``suspects``
    (H, W): sites that may be defects; ``grades`` go with ``lights.numbers``; ``placed``: the frames
    to combine, the reference first.
    """

    context: Context
    paths: Sequence[Path]
    options: Options
    clock: Clock
    session: Session
    lights: Lights
    unreadable: dict[int, str]
    told: list[str]
    sources: dict[str, str]
    suspects: NDArray[np.bool_]
    sensor: SensorNoise
    tables: list[Stars]
    registration: Registration | None
    grades: list[Grade]
    placed: list[Placed]

    @property
    def reference(self) -> int:
        """Row of the reference frame in ``lights.numbers``."""
        return self.registration.reference if self.registration else 0


@contextmanager
def prepared(
    paths: Sequence[Path | str],
    options: Options,
    progress: Progress | None = None,
    work: Workspace | None = None,
) -> Iterator[Prepared]:
    """The session in ``paths``, ready for integration; its cache goes with the block.

    Raises ``InputError`` when there is nothing to stack, ``OutputError`` when the scratch place is
    full, ``UsageError`` for options that make no sense.
    """
    progress = progress or (lambda _step, _done, _total: None)
    folders = [Path(path) for path in paths]
    with (
        nullcontext(work) if work else passing(options.scratch) as place,
        workers(options.jobs) as (pool, read),
    ):
        yield _prepare(folders, options, Context(place, read, pool, progress))


def _prepare(paths: Sequence[Path], options: Options, context: Context) -> Prepared:
    clock, progress = Clock(), context.progress
    with clock.step("scan"):
        checkpoints = context.place.checkpoints
        session = checkpointed(
            checkpoints,
            "session",
            lambda: session_of(paths, options.masters, options.session, context),
        )
        frames = session.lights
        pixels = int(np.prod(frames[0].size or 0))
        room = check_room(context.place, pixels, len(frames), options.sampling)
        context = replace(context, place=room)
        masters, told, sources = checkpointed(
            context.place.checkpoints,
            "masters",
            lambda: find_masters(paths, options.masters, context),
        )
    with clock.step("read"):
        lights, unreadable = read_lights(frames, masters, context)
    with clock.step("stars"):
        suspects, sensor, measurements = measure_frames(lights, frames, context)
        tables = [measurement.stars for measurement in measurements]
    if not any(len(table) for table in tables):
        raise InputError(
            "There are no stars in any of the frames. Check that the lens was open and in focus, "
            "and that these are pictures of the night sky. (Darks belong into a folder named "
            "darks in the night's own.)"
        )
    with clock.step("register"):
        progress("Aligning the frames", 0, 1)
        registration = checkpointed(
            context.place.checkpoints, "registration", lambda: _register(tables, lights, frames)
        )
        transparency = [1.0] * len(tables)
        if registration is not None:
            transparency = transparencies(tables, registration.pairs, registration.reference)
        grades = grade(measurements, transparency, registration)
        placed = _place(lights, measurements, registration, grades)
        progress("Aligning the frames", 1, 1)
    return Prepared(
        context=context,
        paths=paths,
        options=options,
        clock=clock,
        session=session,
        lights=lights,
        unreadable=unreadable,
        told=told,
        sources=sources,
        suspects=suspects,
        sensor=sensor,
        tables=tables,
        registration=registration,
        grades=grades,
        placed=placed,
    )


def result_of(ready: Prepared, integration: Integration) -> Result:
    """The picture with the record of how it was made."""
    frames, lights, options = ready.session.lights, ready.lights, ready.options
    picture = integration.picture
    by_number: dict[int, Grade] = {k: unread(reason) for k, reason in ready.unreadable.items()}
    by_number.update(zip(lights.numbers, ready.grades, strict=True))
    pictures = _thumbnails(ready)
    record = run.record(
        session=ready.session,
        grades=[by_number[k] for k in range(len(frames))],
        lights=lights,
        registration=ready.registration,
        size=(picture.value.shape[2], picture.value.shape[1]),
        options={
            "paths": [str(path) for path in ready.paths],
            "method": integration.method,
            "masters": [str(path) for path in options.masters],
            "keep_place": options.keep_place,
            "sampling": options.sampling,
            "session": options.session,
        },
        calibration=run.calibration(
            lights, [frame.form for frame in frames], ready.sensor, ready.told, ready.sources
        ),
        integration=_integration(ready, integration, pictures),
        place=_place_of(frames, ready.context) if options.keep_place else None,
        remarks=[integration.remark] if integration.remark else [],
    )
    reference = frames[lights.numbers[ready.reference]]
    white, clock = apply.span(lights.mosaic), ready.clock.seconds
    known = _white(ready, picture, integration.sampling)
    way = reference.metadata.orientation
    return Result(picture, record, pictures, known, way, white, clock)


def _white(ready: Prepared, picture: Stack, sampling: int) -> CameraWhite:
    """What is known of the camera's colours and white balance."""
    mosaic, number = ready.lights.mosaic, ready.lights.numbers[ready.reference]
    seen = ready.session.lights[number].metadata
    stars = star_colour(picture.value, ready.tables[ready.reference], sampling)
    colour = camera_colour(seen, mosaic.color_matrix)
    return camera_white(colour, seen.neutral, seen.white_xy, mosaic.balance, stars)


def _thumbnails(ready: Prepared) -> FramePictures:
    lights, frames = ready.lights, ready.session.lights
    return make_thumbnails(
        lights,
        lights.numbers[ready.reference],
        ready.grades,
        ready.placed[0].noise,
        {k: frames[k].metadata.orientation for k in lights.numbers},
        ready.suspects,
        ready.context,
    )


def _integration(
    ready: Prepared, integration: Integration, pictures: FramePictures
) -> IntegrationRecord:
    """The record's entries on integration, coverage and the faintest star, in green."""
    names = [frame.name for frame in ready.session.lights]
    stars = measurable(ready.tables[ready.reference], ready.lights.cache.shape).xy
    alone = opened(pictures.alone)[1]
    return integration_record(ready.placed, integration, names, clip(ready.lights), alone, stars)


def _place_of(frames: Sequence[Frame], context: Context) -> Location | None:
    """The place that the first frame which knows one gives."""
    found = (context.read(read_place, frame.path) for frame in frames)
    return next((place for place in found if place is not None), None)


def _register(
    tables: Sequence[Stars], lights: Lights, frames: Sequence[Frame]
) -> Registration | None:
    """The session's geometry; None for a single frame."""
    if len(tables) < 2:
        return None
    seen = frames[lights.numbers[0]].metadata
    return register(
        tables,
        lights.size,
        focal_px(seen, lights.size),
        up(seen),
        lens_hint(lights.mosaic.opcodes),
        [frames[k].metadata.time for k in lights.numbers],
        [lights.shares[k] for k in lights.numbers],
    )


def _place(
    lights: Lights,
    measurements: Sequence[Measurement],
    registration: Registration | None,
    grades: Sequence[Grade],
) -> list[Placed]:
    """The used frames ready for integration, the reference first."""
    if registration is None:
        alone = plane_mapping(np.eye(3))
        level, relief = flat_level(lights.size), lights.reliefs[lights.numbers[0]]
        return [Placed(lights.numbers[0], alone, level, measurements[0].noise, 1.0, relief)]
    reference = registration.reference
    placed = []
    for k in sorted(range(len(grades)), key=lambda k: (k != reference, k)):
        mapping: AnyMapping | None = registration.mappings[k]
        if not grades[k].used or mapping is None:
            continue
        level = flat_level(lights.size)
        if k != reference:
            light = grades[k].transparency or 1.0
            level = relative_level(
                measurements[reference].sky, measurements[k].sky, mapping, lights.size, light
            )
        number, weight, noise = lights.numbers[k], grades[k].weight, measurements[k].noise
        placed.append(Placed(number, mapping, level, noise, weight, lights.reliefs[number]))
    return placed
