"""Puts the record of a run together: plain data in the shape of ``schemas/run.schema.json``."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from importlib.metadata import version
from typing import Any

import numpy as np

from stackkit.align.register import Registration
from stackkit.calibration.load import Lights
from stackkit.grading.grade import Grade
from stackkit.noise.photon_transfer import gain, read_noise
from stackkit.picture.thumbnails import picture_name
from stackkit.raw.decode import Form, Mosaic
from stackkit.raw.headers.metadata import Location
from stackkit.raw.opcodes import apply
from stackkit.record.advice import advice
from stackkit.record.geometry import geometry_record, mapping_record, turns
from stackkit.record.night_events import night_events
from stackkit.record.schema import SCHEMA
from stackkit.sensor.noise_model import SensorNoise
from stackkit.session.grouping import Frame, Part, Role, Session, span_of

_UNSURE = 0.5
"""Uncertainty of a mapping in the corners, px, that is worth a word."""
_SHADING = ("GainMap", "FixVignetteRadial", "ScalePerRow", "ScalePerColumn")
"""Opcodes whose work a flat does."""
_LIBRARIES = ("numpy", "scipy", "astropy", "photutils", "rawpy", "tifffile", "imagecodecs", "numba")
"""Those that have a say in the result."""


def record(
    *,
    session: Session,
    grades: Sequence[Grade],
    numbers: Sequence[int],
    shares: dict[int, float],
    digests: dict[int, str],
    registration: Registration | None,
    mosaic: Mosaic,
    size: tuple[int, int],
    options: dict[str, Any],
    calibration: dict[str, Any],
    integration: dict[str, Any],
    place: Location | None,
) -> dict[str, Any]:
    """The record of a run.  ``grades`` go with the session's lights; ``numbers`` say which of the
    lights the registration's lists run over; ``shares`` of the samples that they had; ``digests``
    (SHA-256) of their files.
    """
    lights = session.lights
    row_of = {number: k for k, number in enumerate(numbers)}
    reference = numbers[registration.reference if registration else 0]
    times = [lights[n].metadata.time for n in numbers]
    degrees = turns(registration, times) if registration else [0.0]
    rows, light = [], 0
    for frame in session.frames:
        if frame.role is not Role.LIGHT:
            nothing = {**_UNPLACED, "sha256": None, "picture": None}
            rows.append(_row(frame, Grade(False, 0.0, frame.reason), nothing, 1.0))
            continue
        known = {
            **_placing(registration, degrees, row_of.get(light)),
            "sha256": digests.get(light) or None,
            "picture": picture_name(light) if light in row_of else None,
        }
        rows.append(_row(frame, grades[light], known, shares.get(light, 1.0)))
        light += 1
    names = [lights[n].name for n in numbers]
    used = [grades[n].used for n in numbers]
    geometry = geometry_record(registration, names, times, size, used)
    told = {
        "schema": SCHEMA,
        "stackkit": version("stackkit"),
        "versions": versions(),
        "options": options,
        "reference": lights[reference].name,
        "frames": rows,
        "sessions": [_session(part) for part in session.parts],
        "camera": _camera(lights[reference], mosaic),
        "calibration": calibration,
        "place": asdict(place) if place else None,
        "geometry": geometry,
        "integration": {**integration, "noise_gain": _gain(integration)},
        "colour": None,
        "gradient": None,
        "editing": None,
        "output": {"folder": "", "files": {}, "width": size[0], "height": size[1]},
        "warnings": [*_doubts(calibration), *_warnings(rows), *_of_geometry(geometry)],
    }
    return {**told, "story": night_events(rows, geometry["pushes"] or []), "advice": advice(told)}


def versions() -> dict[str, str]:
    """What it all ran on, by name: Python, the libraries that have a say, the kind of machine."""
    libraries = {name: version(name) for name in _LIBRARIES}
    machine = f"{platform.system()} {platform.machine()}"
    return {"python": platform.python_version(), **libraries, "machine": machine}


def calibration(
    lights: Lights,
    forms: Sequence[Form],
    sensor: SensorNoise,
    told: Sequence[str],
    sources: dict[str, str],
) -> dict[str, Any]:
    """What was done to the samples: masters, the file's own corrections, noise, banding.

    ``told`` are sentences about calibration frames that could not be used; ``sources``: SHA-256 of
    masters and calibration frames, by path.
    """
    own, error = gain(sensor.noise), None
    if own and sensor.measured:
        error = own * own * sensor.measured.slope_error
    return {
        "form": str(forms[0]),
        "masters": [*lights.words, *told],
        "files": [{"file": name, "sha256": found or None} for name, found in sources.items()],
        "opcodes": [
            {
                "list": fate.list_number,
                "name": fate.name,
                "what": _done(fate, flat=lights.correction.flat is not None),
                "lacking": fate.lacking,
            }
            for fate in apply.account(lights.mosaic.opcodes)
        ],
        "remarks": sorted({remark for k in lights.numbers for remark in lights.remarks[k]}),
        "noise": {
            "gain_e_adu": own,
            "gain_error_e_adu": error,
            "read_noise_e": read_noise(sensor.noise),
            "source": sensor.words,
            "denoised": sensor.denoised,
        },
        "banding_adu": float(np.median(list(lights.bandings.values()))),
    }


def _done(fate: apply.OpcodeFate, *, flat: bool) -> str:
    """What became of an opcode; a flat knows better than the file how the field is lit."""
    if not flat or not fate.what.startswith("applied"):
        return fate.what
    if fate.name in _SHADING:
        return "left out: the flat corrects it"
    return "left out, as it was in the flats"


def _doubts(calibration: dict[str, Any]) -> list[str]:
    """What a person should know of how far these files are raw."""
    doubts = []
    if calibration["form"] != Form.MOSAIC:
        told = [f"{words[:1].upper()}{words[1:]}." for words in calibration["remarks"]]
        doubts.append(" ".join(["These are not raw mosaics.", *told]))
    elif calibration["noise"]["denoised"]:
        doubts.append(
            "The camera has smoothed these raw files before it wrote them: faint stars are lost "
            "already. Look for a setting that turns noise reduction off."
        )
    lacking = [row["name"] for row in calibration["opcodes"] if row["lacking"]]
    if lacking:
        names = ", ".join(sorted(set(lacking)))
        doubts.append(f"The files ask for corrections that were not made: {names}.")
    return doubts


_UNPLACED: dict[str, Any] = dict.fromkeys(("chance", "zones_px", "turn_deg", "mapping"))


def _placing(
    registration: Registration | None, degrees: Sequence[float | None], k: int | None
) -> dict[str, Any]:
    """Where one frame lies, as the row of its file tells it."""
    if registration is None or k is None:
        return {**_UNPLACED, "turn_deg": 0.0 if registration is None and k == 0 else None}
    chance = registration.chances[k]
    zones = [float(z) if np.isfinite(z) else None for z in registration.zones[k]]
    return {
        "chance": chance if np.isfinite(chance) else None,
        "zones_px": zones if any(z is not None for z in zones) else None,
        "turn_deg": degrees[k],
        "mapping": mapping_record(registration.mappings[k], registration.models[k]),
    }


def _row(frame: Frame, grade: Grade, known: dict[str, Any], share: float) -> dict[str, Any]:
    """The row of a file of which a ``share`` of the samples was there, with what else is known."""
    seen, reason = frame.metadata, grade.reason
    if share < 1 and grade.used:
        cut = f"cut off: the first {_percent(share)} % of it is used"
        reason = f"{cut}; {reason}" if reason else cut
    return {
        "file": frame.name,
        "role": str(frame.role),
        "used": grade.used,
        "reason": reason,
        "cause": str(grade.cause),
        "session": frame.session,
        "time": _time(seen.time),
        "time_source": seen.time_source,
        "exposure_s": seen.exposure,
        "iso": seen.iso,
        "stars": grade.stars,
        "fwhm_px": grade.fwhm,
        "weight": grade.weight,
        "matched": grade.matched,
        "residual_px": grade.residual,
        "transparency": grade.transparency,
        "light": grade.light,
        "elongation": grade.elongation,
        "clipped": grade.clipped,
        "worth": grade.relative_weight,
        "sky_adu": list(grade.sky) if grade.sky else None,
        "salvaged": share if share < 1 else None,
        **known,
    }


def _time(time: datetime | None) -> str | None:
    return time.isoformat().replace("+00:00", "Z") if time else None


def _session(part: Part) -> dict[str, Any]:
    """One of the sessions that the folder holds."""
    lights = part.lights
    begin, end = span_of(lights) or (None, None)
    exposures = {frame.metadata.exposure for frame in lights} - {None}
    return {
        "number": part.number,
        "frames": len(lights),
        "first": lights[0].name,
        "last": lights[-1].name,
        "begin": _time(begin),
        "end": _time(end),
        "camera": lights[0].metadata.camera,
        "exposures_s": sorted(exposures),
        "chosen": not part.why,
        "why": part.why,
    }


def _percent(share: float) -> int:
    """Never all of it, if something is missing."""
    return min(round(100 * share), 99)


def _camera(frame: Frame, mosaic: Mosaic) -> dict[str, Any]:
    seen = frame.metadata
    return {
        "name": seen.camera,
        "pattern": "".join("RGB"[i] for i in mosaic.pattern.ravel()),
        "black": mosaic.black.ravel().tolist(),
        "white": mosaic.white,
        "balance": list(mosaic.balance) if mosaic.balance else None,
        "orientation": seen.orientation,
        "focal_mm": seen.focal_mm,
        "focal_35mm": seen.focal_35mm,
    }


def _gain(integration: dict[str, Any]) -> float | None:
    """How many times less noise the stack has than one frame, in green."""
    if not integration["noise_frame_adu"] or not integration["noise_stack_adu"]:
        return None
    before, after = integration["noise_frame_adu"][1], integration["noise_stack_adu"][1]
    return before / after if before and after else None


def _warnings(rows: Sequence[dict[str, Any]]) -> list[str]:
    used = [row for row in rows if row["used"]]
    lights = [row for row in rows if row["role"] == "light"]
    if len(lights) == 1:
        return [
            "There is only one frame: nothing was averaged, and trails stay. "
            "Take a few dozen next time."
        ]
    if len(used) == 1:
        return ["No other frame matched the reference: the picture is that one frame."]
    if len(used) == 2:
        return [
            "With two frames there is no way to tell which one is wrong: trails of aircraft and "
            "satellites stay in the picture, at half their brightness."
        ]
    return []


def _of_geometry(geometry: dict[str, Any]) -> list[str]:
    """What a person should know of how the frames lie on each other."""
    told = []
    if geometry["still"]:
        told.append(
            "Nothing rotated between these frames, though the sky should have: are they copies of"
            " one frame, an indoor test, or taken with the lens covered? (On a tracking mount this"
            " is as it should be.)"
        )
    corner = (geometry["uncertainty_px"] or (None, None))[1]
    if corner is not None and corner > _UNSURE:
        told.append(
            "There are too few stars, or they are in one part of the picture only: far from them"
            f" the frames may be {corner:.1f} px off each other."
        )
    return told
