"""Puts the results into plain data, ``schemas.inspection``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from typing import TYPE_CHECKING, cast

import numpy as np

from stackkit.calibration.apply import span
from stackkit.geometry.lens import SIDEREAL
from stackkit.inspect import verdicts
from stackkit.inspect.facts import Facts
from stackkit.inspect.listing import Batch, Item, Purpose, Survey
from stackkit.inspect.sample import Sample
from stackkit.inspect.verdicts import NightFigures
from stackkit.noise.photon_transfer import UNKNOWN, Noise, gain, read_noise
from stackkit.raw.decode import Form
from stackkit.raw.headers.metadata import Metadata, focal_px
from stackkit.raw.opcodes import apply
from stackkit.record.file import plain
from stackkit.schemas.inspection import (
    CodesRecord,
    FoundSessionRecord,
    FrameFiguresRecord,
    GroupRecord,
    InspectedFileRecord,
    InspectionRecord,
    MeasuredNoiseRecord,
    SensorRecord,
    SettingsRecord,
    VerdictRecord,
)
from stackkit.session.pauses import gaps

if TYPE_CHECKING:
    from stackkit.inspect.run import Measured

_STANDING = 0.1
"""Share of the sky's rate below which the camera is tracking."""


def record(listed: Survey, measured: Measured | None) -> InspectionRecord:
    """The record; ``measured`` None when only the headers were read."""
    group_of = {k: n for n, batch in enumerate(listed.batches) for k in batch.frames}
    rows = [_file(k, item, group_of.get(k), measured) for k, item in enumerate(listed.items)]
    groups = [_group(n, batch, listed, rows, measured) for n, batch in enumerate(listed.batches)]
    data: InspectionRecord = {
        "schema": "stackkit-inspect/1",
        "stackkit": version("stackkit"),
        "measured": measured is not None,
        "files": rows,
        "groups": groups,
        "session": _session(listed, rows, measured),
        "verdicts": _verdicts(rows, measured),
    }
    return cast(InspectionRecord, plain(data))


def _file(k: int, item: Item, group: int | None, measured: Measured | None) -> InspectedFileRecord:
    said = item.metadata
    facts = measured.facts.get(k) if measured else None
    fit, reason = None, item.reason
    if item.form is Form.NONE and item.purpose is not Purpose.OTHER:
        fit = False
    elif measured is not None and group is not None:
        fit, reason = _fitness(k, item, facts, measured)
    return {
        **_figures(k, facts, measured),
        "file": item.path.name,
        "folder": str(item.path.parent),
        "kind": item.purpose.value,
        "group": group,
        "session": item.session,
        "fit": fit,
        "reason": reason,
        "time": _time(said.time),
        "time_source": said.time_source,
        "place": item.place,
    }


def _figures(k: int, facts: Facts | None, measured: Measured | None) -> FrameFiguresRecord:
    seen = facts.seen if facts else None
    graded = measured.grades.get(k) if measured else None
    return {
        "highest_code": facts.codes.highest if facts else None,
        "level": list(facts.level) if facts else None,
        "clipped": facts.clipped if facts else None,
        "stars": seen.stars if seen else None,
        "fwhm_px": seen.fwhm if seen else None,
        "elongation": seen.elongation if seen else None,
        "matched": graded.matched if graded else None,
        "transparency": graded.transparency if graded else None,
    }


def _fitness(
    k: int, item: Item, facts: Facts | None, measured: Measured
) -> tuple[bool | None, str]:
    """Whether a frame is fit for its purpose, and if not, why."""
    fault = measured.faults.get(k, "")
    if facts is None:
        return False, fault or item.reason
    if item.purpose is Purpose.SHORT:
        return None, verdicts.short_exposure(item.metadata.exposure, facts.level)
    if item.purpose is not Purpose.LIGHT:
        return not fault, fault
    if not item.session:
        return False, item.reason
    graded = measured.grades.get(k)
    said = graded.reason if graded and not graded.used else ""
    reason = verdicts.unfit(facts.level, facts.seen, item.metadata.exposure, said)
    return not reason, reason


def _group(
    number: int,
    batch: Batch,
    listed: Survey,
    rows: Sequence[InspectedFileRecord],
    measured: Measured | None,
) -> GroupRecord:
    first = listed.items[batch.frames[0]]
    said = first.metadata
    sample = measured.samples.get(number) if measured else None
    own = [measured.facts[k] for k in batch.frames if k in measured.facts] if measured else []
    codes = _levels(first.form, sample, own)
    conditions = _conditions(first, rows, batch, sample, own, measured)
    return {
        "kind": batch.purpose.value,
        "files": list(batch.frames),
        "form": first.form.value,
        "width": first.size[0] if first.size else None,
        "height": first.size[1] if first.size else None,
        **_settings(said),
        "bits_stored": said.bits,
        **codes,
        **_sensor(batch, first.form, sample, codes["level"]),
        "sky_noise_share": verdicts.read_noise_share(conditions) if conditions else None,
        "trail_px": verdicts.trail(conditions) if conditions else None,
        "remarks": _remarks(batch, listed, sample),
        "advice": verdicts.advice(conditions) if conditions else [],
    }


def _settings(said: Metadata) -> SettingsRecord:
    return {
        "camera": said.camera,
        "lens": said.lens,
        "software": said.software,
        "exposure_s": said.exposure,
        "iso": said.iso,
        "f_number": said.f_number,
        "focal_mm": said.focal_mm,
        "focal_35mm": said.focal_35mm,
        "orientation": said.orientation,
    }


def _levels(form: Form, sample: Sample | None, own: Sequence[Facts]) -> CodesRecord:
    """Black, white and the codes in use, over all frames of a group."""
    head = sample.head if sample else None
    # The codes of a picture are not those of the sensor.
    stored = [facts.codes for facts in own if form is not Form.PICTURE]
    steps = [codes.step for codes in stored if codes.step]
    bits = [codes.bits for codes in stored if codes.bits]
    seen = [facts.seen for facts in own if facts.seen]
    return {
        "pattern": "".join("RGB"[c] for c in head.pattern.ravel()) if head else None,
        "black": head.black.ravel().tolist() if head else None,
        "black_varies": head.black_detail is not None if head else None,
        "white": head.white if head else None,
        "bits_used": max(bits) if bits else None,
        "code_step": min(steps) if steps else None,
        "lowest_code": min(facts.codes.lowest for facts in own) if own else None,
        "highest_code": max(facts.codes.highest for facts in own) if own else None,
        "level": [_middle([facts.level[c] for facts in own]) for c in range(3)] if own else None,
        "clipped": _middle([facts.clipped for facts in own]),
        "stars": _middle([s.stars for s in seen]),
        "fwhm_px": _middle([s.fwhm for s in seen]),
        "elongation": _middle([s.elongation for s in seen]),
    }


def _middle(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None and np.isfinite(value)]
    return float(np.median(known)) if known else None


def _sensor(
    batch: Batch, form: Form, sample: Sample | None, level: Sequence[float | None] | None
) -> SensorRecord:
    """Opcodes, defects and noise of a group."""
    if sample is None:
        return {
            "opcodes": [],
            "defects": None,
            "looked_at": 0,
            "noise": None,
            "dark_noise_adu": None,
        }
    dark = batch.purpose in (Purpose.DARK, Purpose.BIAS)
    full = any(share is not None and share > verdicts.FULL for share in level or ())
    mosaic = form is Form.MOSAIC and not full
    fates = Counter(apply.account(sample.head.opcodes))
    # Spikes in daylight scenes or from dust on a flat are mostly not defects.
    reliable = batch.purpose in (Purpose.LIGHT, Purpose.DARK) and mosaic
    return {
        "opcodes": [
            {
                "list": fate.list_number,
                "name": fate.name,
                "count": count,
                "what": fate.what,
                "lacking": fate.lacking,
            }
            for fate, count in fates.items()
        ],
        "defects": sample.clear if reliable else None,
        "looked_at": sample.frames,
        "noise": None if dark or form is Form.PICTURE else _noise(sample),
        "dark_noise_adu": sample.dark_noise if dark else None,
    }


def _noise(sample: Sample) -> MeasuredNoiseRecord | None:
    if sample.noise.noise == UNKNOWN:
        return None
    noise, measured = sample.noise.noise, sample.noise.measured
    own = measured if measured is not None and measured.noise == noise else None
    sure = own is None or own.slope_error < own.noise.slope
    electrons = read_noise(noise) if sure else None
    error = None
    if own is not None and sure and electrons is not None:
        higher = read_noise(Noise(noise.slope, noise.floor + own.floor_error)) or 0.0
        error = float(np.hypot(higher - electrons, electrons * own.slope_error / noise.slope))
    return {
        "slope": noise.slope,
        "floor_adu2": noise.floor,
        "gain": gain(noise) if sure else None,
        "gain_error": own.slope_error / noise.slope**2 if own and sure else None,
        "read_noise_e": electrons,
        "read_noise_error_e": error,
        "read_noise_adu": float(np.sqrt(max(noise.floor, 0.0))),
        "denoised": sample.noise.denoised,
        "source": sample.noise.words,
    }


def _conditions(
    first: Item,
    rows: Sequence[InspectedFileRecord],
    batch: Batch,
    sample: Sample | None,
    own: Sequence[Facts],
    measured: Measured | None,
) -> NightFigures | None:
    """The basis of advice; None when the group is not of lights or was not measured."""
    if batch.purpose is not Purpose.LIGHT or sample is None or measured is None or not own:
        return None
    found = _levels(first.form, sample, own)
    focal = focal_px(first.metadata, first.size) if first.size else None
    r, g, b = (level if level is not None else 0.0 for level in found["level"] or [None] * 3)
    noise = _noise(sample) if first.form is not Form.PICTURE else None
    motion = measured.motion if rows[batch.frames[0]]["session"] else None
    return NightFigures(
        count=len(batch.frames),
        exposure=first.metadata.exposure,
        level=(r, g, b),
        clipped=found["clipped"] or 0.0,
        span=span(sample.head),
        step=found["code_step"],
        noise=sample.noise.noise if noise and noise["gain"] else None,
        stars=int(found["stars"] or 0),
        fwhm=found["fwhm_px"],
        elongation=found["elongation"],
        drift=motion.drift if motion else None,
        fastest=focal * SIDEREAL if focal else None,
    )


def _remarks(batch: Batch, listed: Survey, sample: Sample | None) -> list[str]:
    """Remarks on a group's files, in sentences or parts of them."""
    said = list(sample.head.remarks) if sample else []
    if sample is None:
        said += [listed.items[k].reason for k in batch.frames[:1] if listed.items[k].reason]
    mosaic = listed.items[batch.frames[0]].form is Form.MOSAIC
    if sample and sample.noise.denoised and mosaic and batch.purpose is Purpose.LIGHT:
        said.append("its noise is shared between neighbours: this raw has been denoised")
    if sample:
        said += [
            f"{fate.name} (opcode list {fate.list_number}): {fate.what}"
            for fate in dict.fromkeys(apply.account(sample.head.opcodes))
            if fate.lacking
        ]
    if batch.purpose is not Purpose.LIGHT:
        return said
    sources = Counter(listed.items[k].metadata.time_source for k in batch.frames)
    said += [f"time: {source}" for source in sources if source and source not in _GOOD_TIMES]
    if None in sources:
        said.append("no time in the files: their order is that of their names")
    return said


_GOOD_TIMES = ("EXIF", "EXIF, zone not given, taken as UTC")


def _session(
    listed: Survey, rows: Sequence[InspectedFileRecord], measured: Measured | None
) -> FoundSessionRecord | None:
    """Times and motion of the lights that belong together; None without any."""
    numbers = [k for k, item in enumerate(listed.items) if item.session]
    if not numbers:
        return None
    times = [listed.items[k].metadata.time for k in numbers]
    known = sorted(time for time in times if time is not None)
    usual, found = gaps(times)
    motion = measured.motion if measured else None
    jumps = motion.jumps if motion else ()
    placed = [k for k in numbers if measured and k in measured.grades]
    return {
        "files": numbers,
        "first": _time(known[0]) if known else None,
        "last": _time(known[-1]) if known else None,
        "cadence_s": usual,
        "gaps": [{"after": numbers[gap.after], "seconds": gap.seconds} for gap in found],
        "drift_px_s": motion.drift if motion else None,
        "rate_arcsec_s": motion.rate if motion else None,
        "turn_deg": motion.turn if motion else None,
        "jumps": [{"after": placed[jump.after], "px": jump.px} for jump in jumps],
        "starless": motion.foreground if motion else None,
        "remarks": _session_remarks(times, rows, numbers, motion.rate if motion else None),
    }


def _session_remarks(
    times: Sequence[datetime | None],
    rows: Sequence[InspectedFileRecord],
    numbers: Sequence[int],
    rate: float | None,
) -> list[str]:
    said = []
    known = [time for time in times if time is not None]
    if len(known) > 1 and len(set(known)) == 1:
        said.append("All frames carry the same time: the order is that of their names.")
    elif len(set(known)) < len(known):
        said.append("Some frames carry the same time as others: the camera's clock is coarse.")
    if rate is not None and np.radians(rate / 3600) < _STANDING * SIDEREAL:
        said.append(
            "The stars stay where they are: the camera follows the sky. Hot pixels and other "
            "patterns then stay under the stars; move the camera a little between frames."
        )
    if len({rows[k]["group"] for k in numbers}) > 1:
        said.append("The lights were not all taken with the same settings.")
    return said


_KNOWN: tuple[Purpose, ...] = tuple(purpose for purpose in Purpose if purpose is not Purpose.OTHER)


def _verdicts(
    rows: Sequence[InspectedFileRecord], measured: Measured | None
) -> list[VerdictRecord]:
    """For each purpose: how many frames are fit."""
    found: list[VerdictRecord] = []
    for purpose in _KNOWN:
        own = [k for k, row in enumerate(rows) if row["kind"] == str(purpose)]
        if not own:
            continue
        judged = measured is not None and purpose is not Purpose.SHORT
        fit = [k for k in own if rows[k]["fit"]] if judged else None
        read = [k for k in own if measured and k in measured.facts] if measured else None
        found.append(
            {
                "kind": purpose.value,
                "count": len(own),
                "read": len(read) if read is not None else None,
                "fit": len(fit) if fit is not None else None,
                "unfit_files": [k for k in own if rows[k]["fit"] is False],
            }
        )
    return found


def _time(time: datetime | None) -> str | None:
    return time.isoformat().replace("+00:00", "Z") if time else None
