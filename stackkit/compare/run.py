"""The same frames by several methods in one pass, with figures, crops and advice."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np

from stackkit.arrays import Array, Plane
from stackkit.compare.advice import advice, scored
from stackkit.compare.figures import error, figures
from stackkit.compare.places import HEIGHT, WIDTH, crop, places
from stackkit.compare.yardstick import Yardstick, yardstick
from stackkit.errors import InputError, OutputError, UsageError
from stackkit.integration import passes
from stackkit.integration.methods import METHODS, Method, method_named
from stackkit.integration.passes import Integration, Judgement
from stackkit.integration.rejection.trail_path import Trail
from stackkit.integration.tiles import Outcome, Room
from stackkit.integration.weighted_sum import NoiseBlocks
from stackkit.pipeline import BY_SAMPLE, Options, Prepared, prepared, result_of
from stackkit.record.picture import convergence
from stackkit.results import Result, Stack
from stackkit.run.files import reason
from stackkit.run.progress import Progress
from stackkit.run.workers import usual
from stackkit.run.workspace import Workspace
from stackkit.schemas.comparison import (
    ComparedFramesRecord,
    ComparisonRecord,
    CropRecord,
    MethodRecord,
)

MEAN = "mean"
_MAGNIFIED = 3
"""Enlargement of crops, so that single pixels are visible."""
_BY_SAMPLE_PURPOSE = "judges every raw sample against a first stack, averages the rest"


@dataclass(frozen=True)
class Comparison:
    """The record of a comparison (``schemas.comparison``), crops by file name, and the stack to
    keep, if any.
    """

    record: ComparisonRecord
    crops: dict[str, bytes]
    kept: Result | None


def chosen(names: Sequence[str]) -> list[Method | None]:
    """The methods of these names, all if none is named; None means ``by-sample``.

    Raises ``UsageError`` for a name that is unknown or given twice.
    """
    wanted = list(names) or [BY_SAMPLE, *METHODS]
    twice = next((name for name in wanted if wanted.count(name) > 1), None)
    if twice:
        raise UsageError(f"The method “{twice}” is named twice.")
    return [None if name == BY_SAMPLE else method_named(name, (BY_SAMPLE,)) for name in wanted]


def compare(
    paths: Sequence[Path | str],
    names: Sequence[str] = (),
    options: Options | None = None,
    keep: str | None = None,
    progress: Progress | None = None,
    work: Workspace | None = None,
) -> Comparison:
    """Integrate the frames in ``paths`` by each of the methods named (all if none is).

    Frames are decoded, calibrated and registered once, and interpolated once for all methods.
    ``keep``: the method whose stack is wanted as well.  Raises as
    :func:`stackkit.pipeline.stack`, and ``InputError`` when fewer than two frames can be used.
    """
    methods = chosen(names)
    wanted = [BY_SAMPLE if method is None else method.name for method in methods]
    if keep is not None and keep not in wanted:
        chosen([keep])  # raises for an unknown name
        raise UsageError(f"“{keep}” is not among the methods that are compared.")
    with prepared(paths, options or Options(), progress, work) as ready:
        if len(ready.placed) < 2:
            raise InputError(
                "Only one of these frames can be used: there is nothing to combine, and so nothing "
                "to compare. (stackkit stack says why the others are left out.)"
            )
        return _compared(ready, methods, keep)


def _compared(ready: Prepared, methods: Sequence[Method | None], keep: str | None) -> Comparison:
    lights, placed, context = ready.lights, ready.placed, ready.context
    began = time.perf_counter()
    judgement = passes.judge_samples(lights, placed, ready.suspects, context)
    base, noise = passes.combine_by_sample(lights, placed, judgement, context)
    by_sample = time.perf_counter() - began
    # The plain mean is always made: trails, cores and colours are compared with it.
    table = [method for method in methods if method is not None]
    if all(method.name != MEAN for method in table):
        table.append(METHODS[MEAN])
    outcomes = passes.each(lights, placed, judgement, table, context, _room(context.place.folder))
    made = dict(zip((method.name for method in table), outcomes, strict=True))
    yard = yardstick(ready, judgement, base, noise, made[MEAN].value)
    rows = [
        _row(method, base, made, yard, judgement, by_sample, ready.options.jobs or usual())
        for method in methods
    ]
    errors = [error(_value(row["name"], base, made), yard) for row in rows]
    ranked = scored(rows, errors)
    trails = sum(map(len, judgement.verdict.trails.values()))
    pictures = {row["name"]: _value(row["name"], base, made) for row in ranked}
    shown, crops = _crops(ready, judgement, base, yard, pictures)
    ready.clock.seconds["compare"] = round(time.perf_counter() - began, 3)
    reference = ready.session.lights[lights.numbers[ready.reference]]
    record: ComparisonRecord = {
        "format": "stackkit-compare/1",
        "version": version("stackkit"),
        "made": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "frames": _frames(ready),
        "camera": {"make": None, "model": reference.metadata.camera},
        "methods": ranked,
        "recommendation": advice(ranked, len(placed), trails),
        "convergence": convergence(noise),
        "crops": shown,
        "timing": {
            "shared_s": round(sum(ready.clock.seconds.values()) - by_sample, 1),
            "all_s": round(sum(ready.clock.seconds.values()), 1),
        },
    }
    return Comparison(record, crops, _kept(ready, judgement, base, noise, keep))


def _kept(
    ready: Prepared, judgement: Judgement, base: Stack, noise: NoiseBlocks, keep: str | None
) -> Result | None:
    """The stack of the method to keep, as ``stackkit stack`` would make it."""
    if keep is None:
        return None
    if keep == BY_SAMPLE:
        return result_of(ready, Integration(base, keep, judgement.verdict, noise))
    lights, placed = ready.lights, ready.placed
    return result_of(
        ready, passes.combined(lights, placed, judgement, METHODS[keep], ready.context)
    )


def _value(name: str, base: Stack, made: dict[str, Outcome]) -> Plane:
    return base.value if name == BY_SAMPLE else made[name].value


def _row(
    method: Method | None,
    base: Stack,
    made: dict[str, Outcome],
    yard: Yardstick,
    judgement: Judgement,
    by_sample: float,
    jobs: int,
) -> MethodRecord:
    """One method's row of the table."""
    if method is None:
        return {
            "name": BY_SAMPLE,
            "purpose": _BY_SAMPLE_PURPOSE,
            "parameters": {},
            "rejected_share": judgement.verdict.rejected,
            "seconds": round(by_sample, 2),
            "score": None,
            **figures(base.value, yard),
        }
    outcome = made[method.name]
    return {
        "name": method.name,
        "purpose": method.purpose,
        "parameters": {p.name: p.default for p in method.parameters},
        "rejected_share": outcome.rejected if method.rejects else None,
        "seconds": round(outcome.seconds / jobs, 2),
        "score": None,
        **figures(outcome.value, yard),
    }


def _crops(
    ready: Prepared, judgement: Judgement, base: Stack, yard: Yardstick, pictures: dict[str, Plane]
) -> tuple[list[CropRecord], dict[str, bytes]]:
    """The places in the record, and the crops by file name."""
    lights = ready.lights
    reference = ready.session.lights[lights.numbers[ready.reference]]
    stars = ready.tables[ready.reference]
    worst = _worst_trail(ready, judgement.verdict.trails)
    shown: list[CropRecord] = []
    crops: dict[str, bytes] = {}
    for place in places(base.value, base.coverage, stars, worst):
        cut = crop(
            place,
            pictures,
            base.value,
            np.sqrt(yard.variance),
            lights.mosaic.balance,
            reference.metadata.orientation,
            passes.clip(lights),
        )
        files = {name: f"{place.key}-{name}.png" for name in cut}
        crops.update({files[name]: data for name, data in cut.items()})
        shown.append(
            {
                "place": place.key,
                "title": place.title,
                "x": place.left + WIDTH // 2,
                "y": place.top + HEIGHT // 2,
                "width": WIDTH if reference.metadata.orientation < 5 else HEIGHT,
                "height": HEIGHT if reference.metadata.orientation < 5 else WIDTH,
                "magnified": _MAGNIFIED,
                "pictures": files,
                "note": place.note,
            }
        )
    return shown, crops


def _worst_trail(ready: Prepared, trails: dict[int, tuple[Trail, ...]]) -> Array | None:
    """The middle, on the grid, of the trail with the most light."""
    every = [(number, trail) for number, found in trails.items() for trail in found]
    if not every:
        return None
    number, worst = max(every, key=lambda pair: pair[1].strength * pair[1].width)
    mapping = next(frame.mapping for frame in ready.placed if frame.number == number)
    middle = worst.path[len(worst.path) // 2]
    there = mapping.to_reference(np.array([middle]))[0]
    return there if np.isfinite(there).all() else None


def _frames(ready: Prepared) -> ComparedFramesRecord:
    lights = ready.session.lights
    reference = lights[ready.lights.numbers[ready.reference]]
    exposures = [lights[frame.number].metadata.exposure for frame in ready.placed]
    known = [seconds for seconds in exposures if seconds]
    return {
        "given": len(lights),
        "used": len(ready.placed),
        "reference": reference.name,
        "exposure_s": reference.metadata.exposure,
        "total_s": float(sum(known)) if known else None,
    }


def _room(folder: Path) -> Room:
    """Makes pictures that are kept on disk: there may be ten of them."""
    made: list[Path] = []

    def room(shape: tuple[int, int, int]) -> Plane:
        path = folder / f"method-{len(made)}.plane"
        made.append(path)
        try:
            with path.open("wb") as file:
                # Every byte is written now: on a full disk a mapped picture would crash later.
                for _ in range(shape[0] * shape[1]):
                    file.write(bytes(4 * shape[2]))
        except OSError as error:
            raise OutputError(f"Cannot keep a picture in {folder}: {reason(error)}") from error
        return np.memmap(path, dtype=np.float32, mode="r+", shape=shape)

    return room
