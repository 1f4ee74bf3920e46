"""Why a frame with enough stars is not matched: a mirrored picture, or another part of the sky."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackkit.align.matching import LEAST_PAIRS, match
from stackkit.align.pairing import Pairing
from stackkit.stars.detect import Stars

_MOST = 8
"""Frames that are examined; with more, the first ones stand for the rest."""
_BRIGHTEST = 300
"""Stars of a frame that are tried, the brightest."""


def reasons(
    tables: Sequence[Stars], paired: Pairing, lost: Sequence[int], size: tuple[int, int]
) -> dict[int, str]:
    """Reasons for those of the ``lost`` frames where one can be given."""
    seen = {k: tables[k].xy[paired.kept[k]][:_BRIGHTEST] for k in lost}
    examined = [k for k in lost if len(seen[k]) >= LEAST_PAIRS][:_MOST]
    own = paired.reference
    target = tables[own].xy[paired.kept[own]][:_BRIGHTEST]
    mirrored = np.array([size[0] - 1.0, 0.0]) + target * [-1.0, 1.0]
    found = {}
    for k in examined:
        if match(mirrored, seen[k]) is not None:
            found[k] = "it shows the other frames' sky in a mirror: the file was flipped"
    rest = [k for k in examined if k not in found]
    if len(rest) > 1:
        first, *others = rest
        same = [first, *(k for k in others if match(seen[first], seen[k]) is not None)]
        if len(same) > 1:
            words = (
                f"it shows another part of the sky, and {len(same) - 1} of the others left out "
                "with it: stack those by themselves"
            )
            found |= dict.fromkeys(same, words)
    return found
