"""Why a frame with stars enough fits nowhere: seen in a mirror, or another part of the sky."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackkit.align.matching import LEAST_PAIRS, match
from stackkit.align.pairing import Pairing
from stackkit.stars.detect import Stars

_MOST = 8
"""Frames that are asked; with more of them the first ones speak for the rest."""
_BRIGHTEST = 300
"""Stars of a frame that are tried, the brightest."""


def reasons(
    tables: Sequence[Stars], paired: Pairing, lost: Sequence[int], size: tuple[int, int]
) -> dict[int, str]:
    """Words for those of the ``lost`` frames of which something can be said."""
    seen = {k: tables[k].xy[paired.kept[k]][:_BRIGHTEST] for k in lost}
    asked = [k for k in lost if len(seen[k]) >= LEAST_PAIRS][:_MOST]
    own = paired.reference
    target = tables[own].xy[paired.kept[own]][:_BRIGHTEST]
    mirrored = np.array([size[0] - 1.0, 0.0]) + target * [-1.0, 1.0]
    told = {}
    for k in asked:
        if match(mirrored, seen[k]) is not None:
            told[k] = "it shows the other frames' sky in a mirror: the file was flipped"
    rest = [k for k in asked if k not in told]
    if len(rest) > 1:
        first, *others = rest
        same = [first, *(k for k in others if match(seen[first], seen[k]) is not None)]
        if len(same) > 1:
            words = (
                f"it shows another part of the sky, and {len(same) - 1} of the others left out "
                "with it: stack those by themselves"
            )
            told |= dict.fromkeys(same, words)
    return told
