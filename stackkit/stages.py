"""Single stages on plain arrays, for those who have data of their own or one step to try.

``stackkit.stack`` runs all of them on a folder.  Pixel (0, 0) is the centre of the first pixel,
positions are x, y; samples are ADU above black, NaN where missing.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stackkit.align import register as _register
from stackkit.arrays import Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import Calibrated, Correction
from stackkit.calibration.apply import calibrate as _calibrate
from stackkit.errors import UsageError
from stackkit.geometry.mapping import AnyMapping, plane_mapping
from stackkit.grading.photometric import Level, flat_level, relative_level
from stackkit.integration import passes, tiles
from stackkit.integration.methods import METHODS, Combined, Method, Samples, method_named
from stackkit.integration.methods import with_parameters as _with_parameters
from stackkit.noise.photon_transfer import UNKNOWN, Noise, photon_transfer_alone
from stackkit.output.write import write_results
from stackkit.pipeline import BY_SAMPLE, Options, Prepared, prepared
from stackkit.raw.bayer import NEVER, bayer
from stackkit.raw.decode import Mosaic, decode
from stackkit.results import Result, Stack
from stackkit.run.progress import Progress
from stackkit.schemas.run import RunRecord
from stackkit.sensor.suspects import find_defects
from stackkit.stars.detect import Stars
from stackkit.stars.detect import detect as _detect
from stackkit.stars.sky_mesh import measure_sky

_FIRST_FRAMES = 9
"""Frames in the first stack, which shows where the picture is steep: more are not needed."""
_CODES = 65000
"""Steps into which the range of the samples is divided."""
_LEAST = 16
"""Least width and height, px: below it there is no sky to measure between stars."""
_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def read(path: Path | str) -> Mosaic:
    """The sensor's own samples of a raw file.

    Parameters
    ----------
    path
        DNG or any raw format that LibRaw reads; linear DNG, 16-bit TIFF and JPEG as a last resort.

    Returns
    -------
    Mosaic
        ``data`` (H, W) uint16 codes, with black, white, Bayer pattern and the file's corrections.

    Raises
    ------
    InputError
        The file cannot be read, is damaged, or holds something that cannot be used.

    """
    return decode(Path(path))


def calibrate(
    mosaic: Mosaic, *, dark: Plane | None = None, flat: Plane | None = None
) -> Calibrated:
    """Codes to ADU above black, with the corrections that the file asks for.

    Parameters
    ----------
    mosaic
        What :func:`read` gives.
    dark
        (H, W) ADU to subtract, NaN where a sample is to be given up.
    flat
        (H, W) response to divide by; the file's own shading correction is then left out.

    Returns
    -------
    Calibrated
        ``adu`` (H, W) float32; ``relief``: by what samples were multiplied; ``banding`` in ADU.

    """
    return _calibrate(mosaic, Correction(dark, flat))


def detect(
    adu: Plane,
    pattern: str | NDArray[np.uint8] = "RGGB",
    *,
    noise: Noise | None = None,
    clip: float = np.inf,
) -> Stars:
    """Stars on one calibrated mosaic.

    Parameters
    ----------
    adu
        (H, W) ADU above black.
    pattern
        Colours of the top left 2×2 sites, such as ``"RGGB"``, or as an array (0 R, 1 G, 2 B).
    noise
        Variance of a sample; measured on the mosaic when not given.
    clip
        ADU at which samples saturate.

    Returns
    -------
    Stars
        Columns, brightest star first; ``to_table()`` gives an astropy Table.  Empty when there is
        nothing to see.

    Raises
    ------
    UsageError
        ``adu`` is no mosaic, ``pattern`` no Bayer pattern.

    """
    plane = _mosaic(adu)
    return _detect(plane, _pattern(pattern), noise or _noise_of(plane, clip), clip)


def register(
    stars: Sequence[Stars],
    size: tuple[int, int],
    *,
    focal_px: float | None = None,
    times: Sequence[datetime | None] | None = None,
) -> _register.Registration:
    """Match the frames' stars and solve lens and rotations of all frames together.

    Parameters
    ----------
    stars
        A table for each frame, from :func:`detect`.
    size
        Width and height of the frames, px.
    focal_px
        A focal length to start from, px; found from the stars when not given.
    times
        Mid-exposure of each frame, UTC; None where unknown.

    Returns
    -------
    Registration
        ``mappings[k]`` leads from the reference grid to frame k and back, None where the frame
        fits nowhere; ``reference`` is the reference frame's number.

    Raises
    ------
    UsageError
        There are no tables.

    """
    if not stars:
        raise UsageError("There are no tables of stars to register.")
    return _register.register(stars, size, focal_px, times=times)


def combine(
    mosaics: Sequence[Plane],
    mappings: Sequence[AnyMapping | ArrayLike],
    pattern: str | NDArray[np.uint8] = "RGGB",
    *,
    method: str | Callable[[Samples], Combined] = "noise-model",
    parameters: Mapping[str, float] | None = None,
    transparencies: Sequence[float] | None = None,
    weights: Sequence[float] | None = None,
    noise: Noise | None = None,
    clip: float = np.inf,
) -> Stack:
    """One picture from calibrated mosaics and mappings.

    Parameters
    ----------
    mosaics
        (H, W) each, the first one being the reference.  They are kept as 16-bit codes meanwhile.
    mappings
        From the reference grid to each frame: what :func:`register` gives, or homographies (3, 3).
    pattern
        As in :func:`detect`.
    method
        A name of ``METHODS``, or a function of ``Samples`` that gives value, variance and count.
    parameters
        Of the method, by name; ``METHODS[name].parameters`` lists them.
    transparencies, weights
        Of each frame beside the reference; 1 when not given.
    noise
        Variance of a sample; measured on the first mosaic when not given.
    clip
        ADU from which a pixel of the picture counts as clipped.

    Returns
    -------
    Stack
        On the reference's grid.

    Raises
    ------
    UsageError
        Lists of different lengths, mosaics of different sizes, a frame without a mapping, an
        unknown method or parameter.

    """
    frames = [_mosaic(mosaic) for mosaic in mosaics]
    light = [1.0] * len(frames) if transparencies is None else [float(t) for t in transparencies]
    weight = [1.0] * len(frames) if weights is None else [float(w) for w in weights]
    if not frames or len({len(frames), len(mappings), len(light), len(weight)}) > 1:
        raise UsageError("There must be one mapping, transparency and weight for each mosaic.")
    if len({frame.shape for frame in frames}) > 1:
        raise UsageError("All mosaics must have one size.")
    chosen, colours = _method(method, parameters), _pattern(pattern)
    height, width = frames[0].shape
    sensor = bayer(colours, width, height, clip=NEVER)
    own = noise or _noise_of(frames[0], clip)
    placed = [
        tiles.Placed(k, mapping, level, own, weight[k])
        for k, (mapping, level) in enumerate(_levelled(frames, mappings, colours, light))
    ]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor() as pool:
        cache = mosaic_cache.Cache(Path(folder), (height, width), _coding(frames))
        for k, frame in enumerate(frames):
            mosaic_cache.put(cache, k, frame)
        defects = find_defects(cache, range(len(frames)), pool)
        known = (cache, sensor, defects, clip, pool)
        first = _combined(placed[:_FIRST_FRAMES], METHODS["median"], None, *known)
        return _combined(placed, chosen, first.value, *known)


@contextmanager
def prepare(
    paths: Sequence[Path | str],
    options: Options | None = None,
    progress: Progress | None = None,
) -> Iterator[Prepared]:
    """A session read, calibrated, measured and aligned; its cache goes with the block.

    Parameters
    ----------
    paths
        Folders or files.
    options
        As for ``stackkit.stack``.
    progress
        Called with the step's name, how many are done, and how many there are.

    Yields
    ------
    Prepared
        For :func:`integrate`; ``tables``, ``registration`` and ``grades`` can be inspected.

    Raises
    ------
    InputError, OutputError, UsageError
        As ``stackkit.stack``.

    """
    with prepared(paths, options or Options(), progress) as ready:
        yield ready


def integrate(
    ready: Prepared,
    method: str | Callable[[Samples], Combined] = BY_SAMPLE,
    parameters: Mapping[str, float] | None = None,
) -> Stack:
    """The picture of a prepared session by one method.

    Parameters
    ----------
    ready
        What :func:`prepare` yields.
    method, parameters
        As in :func:`combine`; ``"by-sample"`` is the usual one.

    Returns
    -------
    Stack
        On the reference frame's grid.

    """
    judgement = passes.judge_samples(ready.lights, ready.placed, ready.suspects, ready.context)
    known = (ready.lights, ready.placed, judgement)
    if method == BY_SAMPLE:
        return passes.combine_by_sample(*known, ready.context)[0]
    return passes.combined(*known, _method(method, parameters), ready.context).picture


def write(result: Result, folder: Path | str) -> RunRecord:
    """Write all files of a result into a folder that exists; the record as written.

    Raises
    ------
    OutputError
        The disk refuses.  Nothing is half written.

    """
    return write_results(result, Path(folder))


def _levelled(
    frames: Sequence[Plane],
    mappings: Sequence[AnyMapping | ArrayLike],
    pattern: NDArray[np.uint8],
    transparencies: Sequence[float],
) -> Iterator[tuple[AnyMapping, Level]]:
    """Each frame's mapping, and its sky level beside the first frame's."""
    size = frames[0].shape[1], frames[0].shape[0]
    reference = measure_sky(frames[0], pattern)
    for k, (frame, given) in enumerate(zip(frames, mappings, strict=True)):
        mapping = _mapping(given, k)
        if k == 0:
            yield mapping, flat_level(size)
        else:
            sky, light = measure_sky(frame, pattern), transparencies[k]
            yield mapping, relative_level(reference, sky, mapping, size, light)


def _mapping(given: AnyMapping | ArrayLike | None, number: int) -> AnyMapping:
    if hasattr(given, "from_reference"):
        return cast(AnyMapping, given)
    matrix = np.asarray(given if given is not None else [], dtype=np.float64)
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all():
        raise UsageError(
            f"Mosaic {number} has no mapping. Leave it out, or give one, or a homography (3, 3)."
        )
    return plane_mapping(matrix)


def _mosaic(values: ArrayLike) -> Plane:
    plane = np.ascontiguousarray(values, dtype=np.float32)
    if plane.ndim != 2 or min(plane.shape) < _LEAST:
        raise UsageError(
            f"An array {plane.shape} is no mosaic. It must be (H, W), {_LEAST} px or more each way."
        )
    return plane


def _combined(
    placed: Sequence[tiles.Placed],
    method: Method,
    first: Plane | None,
    cache: mosaic_cache.Cache,
    sensor: Any,
    defects: Any,
    clip: float,
    pool: ThreadPoolExecutor,
) -> Stack:
    return tiles.combine(
        cache, placed, sensor, defects, method, first, clip, pool, lambda _done, _of: None
    )


def _method(
    method: str | Callable[[Samples], Combined], parameters: Mapping[str, float] | None
) -> Method:
    chosen = method_named(method) if isinstance(method, str) else Method("own", "", method)
    return _with_parameters(chosen, parameters) if parameters else chosen


def _pattern(pattern: str | NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The colours (2, 2) of the first sites.  The loops trust them: no other number may pass."""
    if isinstance(pattern, str):
        name = pattern.upper()
    else:
        name = "".join("RGB"[c] if c in (0, 1, 2) else "?" for c in np.ravel(pattern))
    if name not in _PATTERNS:
        raise UsageError(f"{pattern!r} is not a Bayer pattern: {', '.join(_PATTERNS)}.")
    return np.array(["RGB".index(letter) for letter in name], np.uint8).reshape(2, 2)


def _noise_of(adu: Plane, clip: float) -> Noise:
    measured = photon_transfer_alone(adu, clip)
    return measured.noise if measured else UNKNOWN


def _coding(frames: Sequence[Plane]) -> mosaic_cache.Coding:
    """A coding that holds the whole range of the samples, whatever their unit."""
    known = [frame[np.isfinite(frame)] for frame in frames]
    lowest = min(float(values.min(initial=0.0)) for values in known)
    highest = max(float(values.max(initial=0.0)) for values in known)
    step = 2.0 ** np.ceil(np.log2(max(highest - lowest, 1e-30) / _CODES))
    return mosaic_cache.Coding(float(step), float(np.ceil(-lowest / step) * step))
