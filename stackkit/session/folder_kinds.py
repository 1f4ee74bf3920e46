"""Which folders hold darks, flats or biases, by their names."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path


class Kind(StrEnum):
    """What a master corrects."""

    DARK = "dark"
    FLAT = "flat"
    BIAS = "bias"


_FOLDERS = {
    Kind.DARK: ("dark", "darks", "darkframes", "darkflat", "darkflats", "flatdark", "flatdarks"),
    Kind.FLAT: ("flat", "flats", "flatfield", "flatfields", "flatframes"),
    Kind.BIAS: ("bias", "biases", "biasframes", "offset", "offsets"),
}
"""Names of folders, without spaces and symbols; a dark-flat is a dark of the flats' exposure."""


def kind_of_folder(folder: Path) -> Kind | None:
    """The kind of frames that a folder of this name holds, None for any other name."""
    name = re.sub(r"[^a-z]", "", folder.resolve().name.casefold())
    return next((kind for kind, names in _FOLDERS.items() if name in names), None)
