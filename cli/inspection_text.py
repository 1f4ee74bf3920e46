"""The record of an inspection in words and tables, for a terminal, also on a phone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from stackkit.schemas.inspection import (
    FoundSessionRecord,
    GroupRecord,
    InspectedFileRecord,
    InspectionRecord,
    MeasuredNoiseRecord,
    RequestedOpcodeRecord,
    VerdictRecord,
)

from .terminal import fitted, shown

_NARROWEST = 40
_LABEL = 11
_NARROW_LABEL = 10
_WIDE = 60
"""Columns above which there is room for all figures of a frame, not only the main ones."""
_MOST_LISTED = 12
_MOST_STARS = 1000
_ROUND = 0.2
_ROUGH = 0.1
"""Relative error above which a gain is given to one digit only."""
_NAMES = {
    "light": ("Light", "Lights"),
    "short exposure": ("Daylight test", "Daylight tests"),
    "dark": ("Dark", "Darks"),
    "flat": ("Flat", "Flats"),
    "bias": ("Bias", "Biases"),
}
_AS = {"dark": "a dark", "flat": "a flat", "bias": "a bias"}

Line = tuple[str, str]
"""The start of the line, and the text after it, which may be wrapped below itself."""


def text(record: InspectionRecord, columns: int = 80) -> str:
    """The record ready to print, its lines broken between words to fit."""
    width = max(columns, _NARROWEST)
    return "\n".join(fitted(start, said, width) for start, said in _lines(record, width))


def _lines(record: InspectionRecord, width: int) -> Iterator[Line]:
    label = _LABEL if width >= _WIDE else _NARROW_LABEL
    files = record["files"]
    for number, group in enumerate(record["groups"]):
        yield "", _title(group, files)
        session = record["session"] if _speaks_for(number, record) else None
        for name, said in _facts(group, session, files):
            yield f"  {name:<{label}} ", said
        if len(group["files"]) > 1:
            yield "", ""
            for row in _table(group, files, width):
                yield row, ""
        yield "", ""
        for said in group["advice"]:
            yield "  * ", said
        if group["advice"]:
            yield "", ""
    yield from _others(files)
    yield from _verdicts(record)


def _speaks_for(number: int, record: InspectionRecord) -> bool:
    """Whether the session is described with this group: the first that belongs to it."""
    session = record["session"]
    files = [record["files"][k] for k in session["files"]] if session else []
    own = [row["group"] for row in files if row["group"] is not None]
    return number == min(own, default=None)


def _title(group: GroupRecord, files: Sequence[InspectedFileRecord]) -> str:
    one, many = _NAMES[group["kind"]]
    rows = [files[k] for k in group["files"]]
    if len(rows) == 1:
        return f"{one}: {rows[0]['file']}"
    return f"{many}: {len(rows)} files, {rows[0]['file']} to {rows[-1]['file']}"


def _facts(
    group: GroupRecord, session: FoundSessionRecord | None, files: Sequence[InspectedFileRecord]
) -> Iterator[Line]:
    yield "Camera", ", ".join(filter(None, (group["camera"], group["lens"]))) or "not said"
    yield "Picture", _picture(group)
    yield "Exposure", _exposure(group)
    if session:
        yield "Times", _times(session, files)
    elif len(group["files"]) == 1 and group["kind"] in ("light", "short exposure"):
        yield "Times", _one_time(files[group["files"][0]])
    if any(files[k]["place"] for k in group["files"]):
        yield "Place", "the files carry where they were taken (not shown)"
    if group["white"] is not None:
        yield "Codes", _codes(group)
    for opcode in group["opcodes"]:
        yield "Corrections", _opcode(opcode)
    if group["noise"]:
        yield "Noise", _noise(group["noise"])
    if group["dark_noise_adu"] is not None:
        yield "Noise", f"{group['dark_noise_adu']:.2f} ADU from frame to frame without light"
    if group["defects"] is not None:
        yield "Hot pixels", _defects(group)
    if group["level"]:
        yield "Sky" if group["kind"] == "light" else "Level", _level(group)
    if group["stars"] is not None:
        yield "Stars", _stars(group)
    if session:
        yield from _session(session, files)
    for remark in group["remarks"]:
        yield "Note", f"{remark[:1].upper()}{remark[1:]}".rstrip(".") + "."


def _picture(group: GroupRecord) -> str:
    size = f"{group['width']} × {group['height']}"
    if group["form"] == "raw mosaic":
        return f"{size}, untouched raw{' ' + group['pattern'] if group['pattern'] else ''}"
    return f"{size}, {group['form']}: already processed"


def _exposure(group: GroupRecord) -> str:
    parts = [_seconds(group["exposure_s"])] if group["exposure_s"] else []
    parts += [f"ISO {group['iso']}"] if group["iso"] else []
    parts += [f"f/{group['f_number']:g}"] if group["f_number"] else []
    if group["focal_mm"]:
        equal = f" (as {group['focal_35mm']:g} mm)" if group["focal_35mm"] else ""
        parts.append(f"{group['focal_mm']:g} mm{equal}")
    return ", ".join(parts) or "not said"


def _seconds(value: float) -> str:
    return f"1/{round(1 / value)} s" if 0 < value < 0.3 else f"{value:.3g} s"


def _duration(seconds: float) -> str:
    if seconds < 59.5:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes else []
    return " ".join([*parts, f"{rest} s"] if rest and not hours else parts)


def _moment(time: str) -> datetime:
    return datetime.fromisoformat(time.replace("Z", "+00:00"))


def _zone(source: str | None) -> str:
    return "by the camera's clock" if source and "zone not" in source else "UTC"


def _one_time(row: InspectedFileRecord) -> str:
    if row["time"] is None:
        return "unknown"
    return f"{_moment(row['time']):%Y-%m-%d %H:%M:%S} {_zone(row['time_source'])}"


def _times(session: FoundSessionRecord, files: Sequence[InspectedFileRecord]) -> str:
    if session["first"] is None or session["last"] is None:
        return "unknown"
    first, last = _moment(session["first"]), _moment(session["last"])
    zone = _zone(files[session["files"][0]]["time_source"])
    said = f"{first:%Y-%m-%d %H:%M:%S}"
    if last > first:
        said += f" to {last:%H:%M:%S}"
    said += f" {zone}"
    if session["cadence_s"]:
        said += f", one every {_duration(session['cadence_s'])}"
    return said


def _codes(group: GroupRecord) -> str:
    black = sorted(set(group["black"] or [0.0]))
    level = f"{black[0]:g}" if len(black) == 1 else f"{black[0]:g} to {black[-1]:g}"
    said = f"black {level}, white {group['white']:g}"
    if group["highest_code"] is not None:
        said += f", highest seen {group['highest_code']}"
    if group["bits_used"]:
        stored = group["bits_stored"]
        of = f" of {stored}" if stored and stored > group["bits_used"] else ""
        said = f"{group['bits_used']}{of} bits used; {said}"
    if group["code_step"] and group["code_step"] > 1:
        said += f", in steps of {group['code_step']}"
    return said


def _opcode(opcode: RequestedOpcodeRecord) -> str:
    count = f" × {opcode['count']}" if opcode["count"] > 1 else ""
    return f"{opcode['name']}{count}: {opcode['what']}"


def _noise(noise: MeasuredNoiseRecord) -> str:
    if noise["gain"] is None:
        return f"{noise['read_noise_adu']:.2g} ADU without light"
    if noise["gain_error"] and noise["gain_error"] > _ROUGH * noise["gain"]:
        return f"gain about {noise['gain']:.1g} e⁻/ADU; {noise['source']}"
    gain = _with_error(noise["gain"], noise["gain_error"])
    said = f"gain {gain} e⁻/ADU"
    read, error = noise["read_noise_e"], noise["read_noise_error_e"] or 0.0
    if read is not None and read > 2 * error:
        said += f", read noise {_with_error(read, error)} e⁻"
    elif read is not None:
        said += f", read noise under {read + 2 * error:.2g} e⁻"
    return f"{said}; {noise['source']}"


def _with_error(value: float, error: float | None) -> str:
    return f"{value:.3g}" if not error else f"{value:.3g} ± {error:.1g}"


def _defects(group: GroupRecord) -> str:
    sites = (group["width"] or 1) * (group["height"] or 1)
    share = 100 * (group["defects"] or 0) / sites
    single = "; from one frame, so small stars may be among them"
    uncertain = single if group["looked_at"] == 1 and group["kind"] == "light" else ""
    return f"about {group['defects']} clear ones ({share:.2g} %), dead ones included{uncertain}"


def _percent(share: float | None) -> str:
    if share is None:
        return "?"
    percent = 100 * share
    digits = 2 if abs(percent) < 0.095 else 1 if percent < 9.95 else 0
    return f"{round(percent, digits) + 0.0:.{digits}f} %"


def _level(group: GroupRecord) -> str:
    level = group["level"] or [None] * 3
    shares = ", ".join(f"{c} {_percent(v)}" for c, v in zip("RGB", level, strict=True))
    said = f"{shares} of the range"
    if group["sky_noise_share"] and group["sky_noise_share"] < 10:
        said += f"; read noise adds {_percent(group['sky_noise_share'] - 1)} to its noise"
    return said


def _stars(group: GroupRecord) -> str:
    count = group["stars"]
    if not count:
        return "none found"
    said = "1000 or more" if count >= _MOST_STARS else f"{count:.0f}"
    if len(group["files"]) > 1:
        said += " a frame"
    if group["fwhm_px"] is not None:
        said += f", {group['fwhm_px']:.1f} px wide"
    if group["elongation"] is not None:
        shape = f"elongation {group['elongation']:.2f}"
        said += f", {'round' if group['elongation'] < _ROUND else shape}"
    return said


def _session(session: FoundSessionRecord, files: Sequence[InspectedFileRecord]) -> Iterator[Line]:
    if session["turn_deg"] is not None:
        rate = session["rate_arcsec_s"]
        said = f"turned by {session['turn_deg']:.2f}° in all"
        said += f", {rate:.2f}″/s (the Earth: 15.04)" if rate is not None else ""
        if session["drift_px_s"] is not None:
            said += f"; stars move {60 * session['drift_px_s']:.2g} px a minute"
        yield "Motion", said
    for gap in session["gaps"]:
        yield "Gap", f"{_duration(gap['seconds'])} after {files[gap['after']]['file']}"
    for jump in session["jumps"]:
        yield "Moved", f"by {jump['px']:.0f} px after {files[jump['after']]['file']}"
    if session["starless"]:
        yield "Foreground", f"about {_percent(session['starless'])} of the picture shows no stars"
    for remark in session["remarks"]:
        yield "Note", remark


def _table(group: GroupRecord, files: Sequence[InspectedFileRecord], width: int) -> Iterator[str]:
    """A line per file: name, time, level, then the stars, and a mark where it is not fit."""
    rows = [files[k] for k in group["files"]]
    stars = any(row["stars"] is not None for row in rows)
    named = min(max(len(shown(row["file"])) for row in rows), 20 if width < _WIDE else 40)
    heads = [("file", named, "<"), ("time", 8, "<")]
    light = group["kind"] == "light"
    heads += [("sky" if light else "level", 6, ">")] if any(row["level"] for row in rows) else []
    heads += [("stars", 5, ">"), ("width", 5, ">")] if stars else []
    heads += [("shape", 5, ">"), ("light", 5, ">")] if stars and width >= _WIDE else []
    yield "  " + _cells(heads, {name: name for name, _, _ in heads})
    for row in rows:
        mark = "!" if row["fit"] is False else " "
        yield f"{mark} " + _cells(heads, _cell_texts(row, named))


def _cells(heads: Sequence[tuple[str, int, str]], texts: dict[str, str]) -> str:
    return "  ".join(f"{texts[name]:{side}{size}}" for name, size, side in heads).rstrip()


def _cell_texts(row: InspectedFileRecord, named: int) -> dict[str, str]:
    name = shown(row["file"])
    level = max((v for v in row["level"] if v is not None), default=None) if row["level"] else None
    light = row["transparency"]
    return {
        "file": name if len(name) <= named else f"{name[: named // 2 - 1]}…{name[-named // 2 :]}",
        "time": f"{_moment(row['time']):%H:%M:%S}" if row["time"] else "-",
        "sky": _percent(level) if level is not None else "-",
        "level": _percent(level) if level is not None else "-",
        "stars": "-" if row["stars"] is None else str(row["stars"]),
        "width": "-" if row["fwhm_px"] is None else f"{row['fwhm_px']:.1f}",
        "shape": "-" if row["elongation"] is None else f"{row['elongation']:.2f}",
        "light": "-" if light is None else f"{100 * light:.0f} %",
    }


def _others(files: Sequence[InspectedFileRecord]) -> Iterator[Line]:
    """Files that are not pictures, by reason."""
    rows = [row for row in files if row["kind"] == "other"]
    if not rows:
        return
    yield "", "Other files:"
    yield from _reasons(rows)
    yield "", ""


def _reasons(rows: Sequence[InspectedFileRecord]) -> Iterator[Line]:
    by_reason: dict[str, list[str]] = {}
    for row in rows:
        by_reason.setdefault(row["reason"], []).append(row["file"])
    for reason, names in list(by_reason.items())[:_MOST_LISTED]:
        named = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
        yield "  ", f"{named}: {reason}" if reason else named
    if len(by_reason) > _MOST_LISTED:
        yield "  ", f"and {len(by_reason) - _MOST_LISTED} other reasons"


def _verdicts(record: InspectionRecord) -> Iterator[Line]:
    files = record["files"]
    for verdict in record["verdicts"]:
        yield "", _verdict(verdict, files)
        yield from _reasons([files[k] for k in verdict["unfit_files"]])
    if not record["measured"]:
        yield "", "Only the headers were read. Without --quick the pictures are measured too."


def _verdict(verdict: VerdictRecord, files: Sequence[InspectedFileRecord]) -> str:
    kind, count, fit = verdict["kind"], verdict["count"], verdict["fit"]
    one, many = _NAMES[kind]
    noun = (one if count == 1 else many).lower()
    if kind == "short exposure":
        said = {row["reason"] for row in files if row["kind"] == kind and row["reason"]}
        return f"{count} {noun}: " + ("; ".join(sorted(said)) or "too short for stars") + "."
    if fit is None:
        return f"{count} {noun}."
    what = "for stacking" if kind == "light" else f"as {many.lower()}"
    if fit == count:
        everything = "the one frame" if count == 1 else f"all {count} frames"
        return f"Fit {what}: {everything}."
    return f"Fit {what}: {fit} of {count}. Not:"
