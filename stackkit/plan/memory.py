"""The place somebody asked to be remembered: one small file, written only when asked."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from stackkit.errors import InputError, OutputError, UsageError
from stackkit.plan.sky.places import Place, place
from stackkit.run.files import replacing


@dataclass(frozen=True)
class Spot:
    """A place as entered: latitude and longitude as text, height in metres, the zone if named."""

    latitude: str
    longitude: str
    height: float
    zone: str | None

    def place(self) -> Place:
        """The checked place; raises ``UsageError`` if it is none."""
        return place(self.latitude, self.longitude, self.height, self.zone)


def recalled(
    file: Path, latitude: str | None, longitude: str | None, height: float | None, zone: str | None
) -> Spot:
    """What was given; without latitude and longitude, the remembered place.

    Raises ``UsageError`` when one of them is missing or nothing is remembered, ``InputError`` when
    the file cannot be used.
    """
    if latitude is not None and longitude is not None:
        return Spot(latitude, longitude, height or 0.0, zone)
    if latitude is not None or longitude is not None:
        missing = "--lon" if longitude is None else "--lat"
        raise UsageError(f"A place has two coordinates: {missing} is missing.")
    kept = _read(file)
    if kept is None:
        raise UsageError(
            "Where will you be? Give --lat and --lon, such as --lat 47.37 --lon 8.54; --remember "
            "keeps them for next time."
        )
    return replace(
        kept,
        height=kept.height if height is None else height,
        zone=kept.zone if zone is None else zone,
    )


def remember(file: Path, spot: Spot) -> None:
    """Writes the place to ``file``; raises ``OutputError`` when the disk refuses."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"Cannot make {file.parent}: {error.strerror or error}.") from error
    with replacing(file) as temporary:
        # Private: where somebody goes at night.
        temporary.touch(mode=0o600)
        temporary.write_text(json.dumps(asdict(spot), indent=1) + "\n", encoding="utf-8")


def forget(file: Path) -> bool:
    """Removes the file; returns whether there was one."""
    there = file.exists()
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"Cannot remove {file}: {error.strerror or error}.") from error
    return there


def _read(file: Path) -> Spot | None:
    if not file.exists():
        return None
    with suppress(OSError, ValueError, KeyError, TypeError):
        row = json.loads(file.read_text(encoding="utf-8"))
        zone = None if row["zone"] is None else str(row["zone"])
        return Spot(str(row["latitude"]), str(row["longitude"]), float(row["height"]), zone)
    raise InputError(
        f"The remembered place in {file} cannot be read. Give --lat and --lon with --remember to "
        "write it anew, or --forget it."
    )
