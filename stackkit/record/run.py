"""Puts the record of a run together (``schemas.run``)."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
from stackkit.schemas.frames import FrameRecord, MappingRecord, SessionRecord
from stackkit.schemas.geometry import GeometryRecord
from stackkit.schemas.picture import IntegrationRecord
from stackkit.schemas.run import CalibrationRecord, CameraRecord, LocationRecord, RunRecord
from stackkit.sensor.noise_model import SensorNoise
from stackkit.session.grouping import Frame, Part, Session, span_of

_UNSURE = 0.5
"""Uncertainty of a mapping in the corners, px, above which there is a warning."""
_SHADING = ("GainMap", "FixVignetteRadial", "ScalePerRow", "ScalePerColumn")
"""Opcodes that a flat replaces."""
_LIBRARIES = ("numpy", "scipy", "astropy", "rawpy", "tifffile", "imagecodecs", "numba")
"""Libraries that affect the result."""


def record(
    *,
    session: Session,
    grades: Sequence[Grade],
    lights: Lights,
    registration: Registration | None,
    size: tuple[int, int],
    options: dict[str, Any],
    calibration: CalibrationRecord,
    integration: IntegrationRecord,
    place: Location | None,
    remarks: Sequence[str],
) -> RunRecord:
    """The record of a run, before anything is written.

    ``grades`` belong to the session's lights, the lists of ``registration`` to those lights
    that were read; ``size``: width and height of the stack; ``remarks``: sentences on integration.
    """
    frames, numbers = session.lights, lights.numbers
    reference = frames[numbers[registration.reference if registration else 0]]
    times = [frames[n].metadata.time for n in numbers]
    degrees = turns(registration, times) if registration else [0.0]
    row_of = {number: k for k, number in enumerate(numbers)}
    rows = [
        _row(frame, grades[n], _known(lights, n, registration, degrees, row_of.get(n)))
        for n, frame in enumerate(frames)
    ]
    others = session.frames[len(frames) :]
    rows += [_row(frame, Grade(False, 0.0, frame.reason), _UNKNOWN) for frame in others]
    names = [frames[n].name for n in numbers]
    used = [grades[n].used for n in numbers]
    geometry = geometry_record(registration, names, times, lights.size, used)
    camera = _camera(reference, lights.mosaic)
    doubts = [*_doubts(calibration), *_warnings(rows), *_of_geometry(geometry)]
    return {
        "schema": "stackkit-run/5",
        "stackkit": version("stackkit"),
        "versions": versions(),
        "options": options,
        "reference": reference.name,
        "frames": rows,
        "sessions": [_session(part) for part in session.parts],
        "camera": camera,
        "calibration": calibration,
        "place": _place(place),
        "geometry": geometry,
        "integration": integration,
        "colour": None,
        "gradient": None,
        "editing": None,
        "output": {"folder": "", "files": {}, "width": size[0], "height": size[1]},
        "warnings": [*doubts, *remarks],
        "story": night_events(rows, geometry["pushes"] or []),
        "advice": advice(rows, geometry, camera),
    }


def _place(place: Location | None) -> LocationRecord | None:
    if place is None:
        return None
    return {"latitude": place.latitude, "longitude": place.longitude, "height": place.height}


def versions() -> dict[str, str]:
    """Versions by name: Python, the libraries that affect the result, the kind of machine."""
    libraries = {name: version(name) for name in _LIBRARIES}
    machine = f"{platform.system()} {platform.machine()}"
    return {"python": platform.python_version(), **libraries, "machine": machine}


def calibration(
    lights: Lights,
    forms: Sequence[Form],
    sensor: SensorNoise,
    told: Sequence[str],
    sources: dict[str, str],
) -> CalibrationRecord:
    """How the samples were calibrated: masters, the file's own corrections, noise, banding.

    ``told`` are sentences about calibration frames that could not be used; ``sources``: SHA-256 of
    masters and calibration frames, by path.
    """
    own, error = gain(sensor.noise), None
    if own and sensor.measured:
        error = own * own * sensor.measured.slope_error
    return {
        "form": forms[0].value,
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
    """What was done about an opcode; a flat takes precedence over the file's own shading."""
    if not flat or not fate.what.startswith("applied"):
        return fate.what
    if fate.name in _SHADING:
        return "left out: the flat corrects it"
    return "left out, as it was in the flats"


def _doubts(calibration: CalibrationRecord) -> list[str]:
    """Warnings about files that are not fully raw."""
    doubts = []
    if calibration["form"] != Form.MOSAIC.value:
        remarks = [f"{words[:1].upper()}{words[1:]}." for words in calibration["remarks"]]
        doubts.append(" ".join(["These are not raw mosaics.", *remarks]))
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


@dataclass(frozen=True)
class _Known:
    """What is known of a file besides its header and grade; see ``FrameRecord``."""

    chance: float | None = None
    zones_px: list[float | None] | None = None
    turn_deg: float | None = None
    mapping: MappingRecord | None = None
    sha256: str | None = None
    picture: str | None = None
    share: float = 1.0


_UNKNOWN = _Known()


def _known(
    lights: Lights,
    number: int,
    registration: Registration | None,
    degrees: Sequence[float | None],
    k: int | None,
) -> _Known:
    """For light ``number``; ``k``: its index in the registration, None where it was not
    read.
    """
    if k is None:
        return _Known(sha256=lights.digests.get(number) or None)
    read = _Known(
        sha256=lights.digests.get(number) or None,
        picture=picture_name(number),
        share=lights.shares.get(number, 1.0),
        turn_deg=degrees[k],
    )
    if registration is None:
        return read
    chance = registration.chances[k]
    zones = [float(z) if np.isfinite(z) else None for z in registration.zones[k]]
    return replace(
        read,
        chance=chance if np.isfinite(chance) else None,
        zones_px=zones if any(z is not None for z in zones) else None,
        mapping=mapping_record(registration.mappings[k], registration.models[k]),
    )


def _row(frame: Frame, grade: Grade, known: _Known) -> FrameRecord:
    seen, reason = frame.metadata, grade.reason
    salvaged = known.share if known.share < 1 else None
    if salvaged is not None and grade.used:
        cut = f"cut off: the first {_percent(salvaged)} % of it is used"
        reason = f"{cut}; {reason}" if reason else cut
    return {
        "file": frame.name,
        "role": frame.role.value,
        "used": grade.used,
        "reason": reason,
        "cause": grade.cause.value,
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
        "salvaged": salvaged,
        "chance": known.chance,
        "zones_px": known.zones_px,
        "turn_deg": known.turn_deg,
        "mapping": known.mapping,
        "sha256": known.sha256,
        "picture": known.picture,
    }


def _time(time: datetime | None) -> str | None:
    return time.isoformat().replace("+00:00", "Z") if time else None


def _session(part: Part) -> SessionRecord:
    """One of the sessions in the folder."""
    lights = part.lights
    begin, end = span_of(lights) or (None, None)
    exposures = {seconds for frame in lights if (seconds := frame.metadata.exposure) is not None}
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
    """At most 99, since something is missing."""
    return min(round(100 * share), 99)


def _camera(frame: Frame, mosaic: Mosaic) -> CameraRecord:
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


def _warnings(rows: Sequence[FrameRecord]) -> list[str]:
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


def _of_geometry(geometry: GeometryRecord) -> list[str]:
    """Warnings about the alignment of the frames."""
    warnings = []
    if geometry["still"]:
        warnings.append(
            "Nothing rotated between these frames, though the sky should have: are they copies of"
            " one frame, an indoor test, or taken with the lens covered? (On a tracking mount this"
            " is as it should be.)"
        )
    corner = (geometry["uncertainty_px"] or (None, None))[1]
    if corner is not None and corner > _UNSURE:
        warnings.append(
            "There are too few stars, or they are in one part of the picture only: far from them"
            f" the frames may be {corner:.1f} px off each other."
        )
    return warnings
