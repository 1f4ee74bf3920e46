"""Puts the account of a run together: plain data, in the shape of ``output/run.schema.json``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

import numpy as np

from stackkit.geometry import Lens, Mapping, rotation_angle, unproject
from stackkit.grade import Grade
from stackkit.intake import Lights
from stackkit.noise import gain, read_noise
from stackkit.output.record import SCHEMA
from stackkit.raw import opcodes
from stackkit.raw.decode import Form, Mosaic
from stackkit.raw.metadata import Place
from stackkit.register import Registration
from stackkit.sensor_noise import SensorNoise
from stackkit.session import Frame, Role, Session

_SHADING = ("GainMap", "FixVignetteRadial", "ScalePerRow", "ScalePerColumn")
"""Opcodes whose work a flat does."""


def record(
    *,
    session: Session,
    grades: Sequence[Grade],
    numbers: Sequence[int],
    registration: Registration | None,
    mosaic: Mosaic,
    size: tuple[int, int],
    options: dict[str, Any],
    calibration: dict[str, Any],
    integration: dict[str, Any],
    place: Place | None,
    timing: dict[str, float],
) -> dict[str, Any]:
    """The record of a run.  ``grades`` go with the session's lights; ``numbers`` say which of the
    lights the registration's lists run over.
    """
    lights = session.lights
    row_of = {number: k for k, number in enumerate(numbers)}
    reference = numbers[registration.reference if registration else 0]
    turns = _turns(registration, [lights[n] for n in numbers], lights[reference])
    rows, light = [], 0
    for frame in session.frames:
        if frame.role is not Role.LIGHT:
            rows.append(_row(frame, Grade(False, 0.0, frame.reason), None, None))
            continue
        k = row_of.get(light)
        mapping = registration.mappings[k] if registration and k is not None else None
        turn = turns[k] if k is not None else None
        rows.append(_row(frame, grades[light], mapping, turn))
        light += 1
    return {
        "schema": SCHEMA,
        "stackkit": version("stackkit"),
        "options": options,
        "reference": lights[reference].path.name,
        "frames": rows,
        "camera": _camera(lights[reference], mosaic),
        "calibration": calibration,
        "place": asdict(place) if place else None,
        "geometry": _geometry(registration, [lights[n] for n in numbers], rows, size),
        "integration": {**integration, "noise_gain": _gain(integration)},
        "output": {"folder": "", "files": {}, "width": size[0], "height": size[1]},
        "timing": timing,
        "warnings": [*_doubts(calibration), *_warnings(rows)],
    }


def calibration(
    lights: Lights, forms: Sequence[Form], sensor: SensorNoise, told: Sequence[str]
) -> dict[str, Any]:
    """What was done to the samples: masters, the file's own corrections, noise, banding.

    ``told`` are sentences about calibration frames that could not be used.
    """
    own, error = gain(sensor.noise), None
    if own and sensor.measured:
        error = own * own * sensor.measured.slope_error
    return {
        "form": str(forms[0]),
        "masters": [*lights.words, *told],
        "opcodes": [
            {
                "list": fate.list_number,
                "name": fate.name,
                "what": _done(fate, flat=lights.correction.flat is not None),
                "lacking": fate.lacking,
            }
            for fate in opcodes.account(lights.mosaic.opcodes)
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


def _done(fate: opcodes.Fate, *, flat: bool) -> str:
    """What became of an opcode; a flat knows better than the file how the field is lit."""
    if not flat or not fate.what.startswith("applied"):
        return fate.what
    if fate.name in _SHADING:
        return "left out: the flat does it"
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


def _row(frame: Frame, grade: Grade, mapping: Mapping | None, turn: float | None) -> dict[str, Any]:
    seen = frame.metadata
    return {
        "file": frame.path.name,
        "role": str(frame.role),
        "used": grade.used,
        "reason": grade.reason,
        "time": seen.time.isoformat().replace("+00:00", "Z") if seen.time else None,
        "time_source": seen.time_source,
        "exposure_s": seen.exposure,
        "iso": seen.iso,
        "stars": grade.stars,
        "fwhm_px": grade.fwhm,
        "weight": grade.weight,
        "matched": grade.matched,
        "residual_px": grade.residual,
        "turn_deg": turn,
        "transparency": grade.transparency,
        "sky_adu": list(grade.sky) if grade.sky else None,
        "mapping": _mapping(mapping) if mapping else None,
    }


def _mapping(mapping: Mapping) -> dict[str, Any]:
    flat = mapping.frame.f == 1.0
    return {
        "model": "plane" if flat else "camera",
        "matrix": mapping.matrix.tolist(),
        "reference_lens": _lens(mapping.reference),
        "frame_lens": _lens(mapping.frame),
    }


def _lens(lens: Lens) -> dict[str, Any]:
    return {**asdict(lens), "zenith": list(lens.zenith)}


def _turns(
    registration: Registration | None, lights: Sequence[Frame], reference: Frame
) -> list[float | None]:
    """Degrees that the sky turned from the reference to each frame, negative before it."""
    if registration is None:
        return [0.0]
    turns: list[float | None] = []
    for k, mapping in enumerate(registration.mappings):
        if mapping is None:
            turns.append(None)
            continue
        angle = float(np.degrees(rotation_angle(registration.geometry.rotations[k])))
        mine, other = lights[k].metadata.time, reference.metadata.time
        earlier = mine < other if mine and other else k < registration.reference
        turns.append(-angle if earlier else angle)
    return turns


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


def _geometry(
    registration: Registration | None,
    lights: Sequence[Frame],
    rows: Sequence[dict[str, Any]],
    size: tuple[int, int],
) -> dict[str, Any]:
    if registration is None:
        return {
            "lens": None,
            "field_deg": None,
            "turn_deg": None,
            "rate_arcsec_s": None,
            "residual_px": None,
        }
    used = [row for row in rows if row["used"]]
    turns = [row["turn_deg"] for row in used if row["turn_deg"] is not None]
    residuals = [row["residual_px"] for row in used if row["residual_px"] is not None]
    return {
        "lens": _lens(registration.geometry.lens),
        "field_deg": _field(registration.geometry.lens, *size),
        "turn_deg": max(turns) - min(turns) if turns else None,
        "rate_arcsec_s": _rate(registration, lights),
        "residual_px": float(np.median(residuals)) if residuals else None,
    }


def _field(lens: Lens, width: int, height: int) -> list[float]:
    """Degrees across the picture's middle, horizontally and vertically."""
    x, y = (width - 1) / 2, (height - 1) / 2
    ends = unproject(lens, [[[-0.5, y], [width - 0.5, y]], [[x, -0.5], [x, height - 0.5]]])
    return [float(np.degrees(np.arccos(np.clip(np.sum(a * b), -1, 1)))) for a, b in ends]


def _rate(registration: Registration, lights: Sequence[Frame]) -> float | None:
    """Measured turning rate, arc seconds per second: the median over pairs of frames.

    The pairs lie a quarter of the session apart, so that a nudge of the tripod, which falsifies
    the pairs around it, leaves the others their majority.  None without times.
    """
    turns = registration.geometry.rotations
    timed = [
        (light.metadata.time, turns[k])
        for k, light in enumerate(lights)
        if light.metadata.time and registration.mappings[k] is not None
    ]
    timed.sort(key=lambda pair: pair[0])
    apart = max(len(timed) // 4, 1)
    rates = [
        np.degrees(rotation_angle(b @ a.T)) * 3600 / (later - earlier).total_seconds()
        for (earlier, a), (later, b) in zip(timed, timed[apart:], strict=False)
        if later > earlier
    ]
    return float(np.median(rates)) if rates else None


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
            "With two frames there is no telling which one is wrong: trails of aircraft and "
            "satellites stay in the picture, at half their brightness."
        ]
    return []
