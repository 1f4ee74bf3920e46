"""From the stack, which is a measurement, to what is edited and looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.colour.develop import AS_SHOT, Balance, Development, colour_record, development
from stackkit.colour.spaces import SRGB, space_named
from stackkit.errors import UsageError
from stackkit.gradient import gradient_record, sky_of_grid, without_sky
from stackkit.line import Result
from stackkit.output.files import FILES, ON_REQUEST
from stackkit.output.preview import Look, look_of, render, upright_picture
from stackkit.output.tiff import pedestal_of
from stackkit.stack_result import Stack

KEEP, REMOVE = "keep", "remove"
"""What may be done to the smooth light of the sky."""
OF_SKY = "The smooth light of the sky that was taken off the stack."
_SOME = 5
"""Every so many-th row and column is enough for a median."""


@dataclass(frozen=True)
class Editing:
    """What is wanted: ``white`` is ``asshot``, ``daylight``, ``stars`` or multipliers for R, G, B;
    ``space`` a key of ``spaces.SPACES``; ``bits`` of the TIFF, 32 or 16; ``dng``: whether a linear
    DNG is wanted, too; ``gradient``: ``keep`` or ``remove``.
    """

    white: str | Balance = AS_SHOT
    space: str = SRGB.key
    bits: int = 32
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
    """``stack`` with or without the sky's glow; ``how`` it is developed for the editor, ``look``
    for the eye; ``preview`` (h, w, 3), upright; ``told``: what the record has of it.
    """

    stack: Stack
    how: Development
    look: Look
    preview: NDArray[np.uint8]
    told: dict[str, Any]


def edited(result: Result, wanted: Editing = AS_USUAL) -> Edited:
    """The pictures that are made of a result.  Raises ``UsageError`` for what cannot be made."""
    if wanted.bits not in (16, 32) or wanted.gradient not in (KEEP, REMOVE):
        raise UsageError(f"A TIFF has 16 or 32 bits, and the gradient is for {KEEP} or {REMOVE}.")
    stack, orientation = result.stack, result.orientation
    levels = result.white, result.record["integration"]["clip_adu"]
    sky = _usual_place(stack.value)
    how = development(result.known, wanted.white, *levels, space_named(wanted.space), sky)
    look = look_of(stack.value, development(result.known, wanted.white, *levels, SRGB, sky))
    preview = upright_picture(render(stack.value, look), orientation)
    if wanted.gradient == REMOVE:
        stack = replace(stack, value=without_sky(stack.value, look.sky))
    pedestal, below = pedestal_of(stack.value, how)
    _, height, width = stack.value.shape
    told = {
        "colour": colour_record(how, wanted.white, result.known),
        "gradient": gradient_record(look.sky, (height, width), orientation),
        "editing": {
            "bits": wanted.bits,
            "pedestal": pedestal,
            "below_zero_share": below,
            "full_scale": float(how.gains.max()) + pedestal,
            "gradient_removed": wanted.gradient == REMOVE,
        },
    }
    return Edited(stack, how, look, preview, told)


def sky_of(made: Edited) -> NDArray[np.float32]:
    """The smooth light of the sky (3, H, W), ADU."""
    _, height, width = made.stack.value.shape
    return sky_of_grid(made.look.sky, height, width)


def _usual_place(value: NDArray[np.float32]) -> float:
    """Median of green, ADU: mostly sky."""
    some = value[1, ::_SOME, ::_SOME]
    return float(np.nanmedian(some)) if np.isfinite(some).any() else 0.0
