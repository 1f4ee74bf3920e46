"""From the stack, which is a measurement, to pictures for editing and viewing."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.errors import UsageError
from stackkit.picture.colour.develop import (
    AS_SHOT,
    Balance,
    Development,
    colour_record,
    develop_rows,
    development,
)
from stackkit.picture.colour.spaces import SRGB, space_named
from stackkit.picture.gradient import gradient_record, sky_of_grid, without_sky
from stackkit.picture.preview import Rendering, rendered, upright_picture
from stackkit.results import Result, Stack
from stackkit.run.files import FILES, ON_REQUEST
from stackkit.run.workers import HERE
from stackkit.schemas.picture import ColourRecord, EditingRecord, GradientRecord, White

_PEDESTALS = (0.0, *(2.0**-k for k in range(12, 3, -1)))
"""The least of these that leaves at most this share of values below zero is used."""
_LOST = 1e-5
_ROWS = 64
"""Rows developed at a time, to save memory."""

KEEP, REMOVE = "keep", "remove"
"""What may be done with the smooth sky background."""
OF_SKY = "The smooth light of the sky that was taken off the stack."
_SOME = 5
"""Spacing of the rows and columns that are used for a median."""


@dataclass(frozen=True)
class Editing:
    """Options: ``white`` is ``asshot``, ``daylight``, ``stars`` or multipliers for R, G, B;
    ``space`` a key of ``spaces.SPACES``; ``bits`` of the TIFF, 32 or 16; ``dng``: whether a linear
    DNG is written, too; ``gradient``: ``keep`` or ``remove``.
    """

    white: White | Balance = AS_SHOT
    space: str = SRGB.key
    bits: Literal[16, 32] = 32
    dng: bool = False
    gradient: str = KEEP

    @property
    def files(self) -> dict[str, str]:
        """Names of the files by kind, the record's last."""
        asked = {"dng": self.dng, "gradient": self.gradient == REMOVE}
        more = {kind: name for kind, name in ON_REQUEST.items() if asked[kind]}
        pictures = {kind: name for kind, name in FILES.items() if kind != "record"}
        return {**pictures, **more, "record": FILES["record"]}


AS_USUAL = Editing()


@dataclass(frozen=True)
class Edited:
    """``stack`` with or without the gradient; ``how`` it is developed for the editor,
    ``rendering`` for the preview; ``preview`` (h, w, 3), upright; then the parts of the record.
    """

    stack: Stack
    how: Development
    rendering: Rendering
    preview: NDArray[np.uint8]
    colour: ColourRecord
    gradient: GradientRecord | None
    editing: EditingRecord


def edited(result: Result, wanted: Editing = AS_USUAL, pool: Executor = HERE) -> Edited:
    """The pictures of a result.  Raises ``UsageError`` for what cannot be made."""
    if wanted.bits not in (16, 32) or wanted.gradient not in (KEEP, REMOVE):
        raise UsageError(f"A TIFF has 16 or 32 bits, and the gradient is for {KEEP} or {REMOVE}.")
    stack, orientation = result.stack, result.orientation
    levels = result.white, result.record["integration"]["clip_adu"]
    sky = _usual_place(stack.value)
    how = development(result.known, wanted.white, *levels, space_named(wanted.space), sky)
    for_viewing = development(result.known, wanted.white, *levels, SRGB, sky)
    measured = pool.submit(pedestal_of, stack.value, how)
    rendering, shown = rendered(stack.value, for_viewing, pool=pool)
    preview = upright_picture(shown, orientation)
    if wanted.gradient == REMOVE:
        stack = replace(stack, value=without_sky(stack.value, rendering.sky))
        measured = pool.submit(pedestal_of, stack.value, how)
    pedestal, below = measured.result()
    _, height, width = stack.value.shape
    return Edited(
        stack,
        how,
        rendering,
        preview,
        colour=colour_record(how, wanted.white, result.known),
        gradient=gradient_record(rendering.sky, (height, width), orientation),
        editing={
            "bits": wanted.bits,
            "pedestal": pedestal,
            "below_zero_share": below,
            "full_scale": float(how.gains.max()) + pedestal,
            "gradient_removed": wanted.gradient == REMOVE,
        },
    )


def sky_of(made: Edited) -> NDArray[np.float32]:
    """The smooth sky background (3, H, W), ADU."""
    _, height, width = made.stack.value.shape
    return sky_of_grid(made.rendering.sky, height, width)


def _usual_place(value: NDArray[np.float32]) -> float:
    """Median of green, ADU: mostly sky."""
    some = value[1, ::_SOME, ::_SOME]
    return float(np.nanmedian(some)) if np.isfinite(some).any() else 0.0


def pedestal_of(value: Plane, how: Development) -> tuple[float, float]:
    """The pedestal of the picture ``value`` (3, H, W), and the share of values still below zero.

    Editors clip values below zero, which the noise of a dark sky reaches.
    """
    counts, known = np.zeros(len(_PEDESTALS)), 0
    for top in range(0, value.shape[1], _ROWS):
        light = develop_rows(value, top, min(top + _ROWS, value.shape[1]), how)
        known += int(np.isfinite(light).sum())
        below = light[light < 0]
        counts += [(below < -pedestal).sum() for pedestal in _PEDESTALS]
    share = counts / max(known, 1)
    chosen = int(np.argmax(share <= _LOST)) if (share <= _LOST).any() else len(_PEDESTALS) - 1
    return _PEDESTALS[chosen], float(share[chosen])
