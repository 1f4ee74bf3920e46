"""What a run says at its end, in words for somebody who does this for the first time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

_MOST_LISTED = 12


def summary(record: dict[str, Any]) -> str:
    """The summary of a run's record, ready to print; fits 80 columns where file names do."""
    frames = record["frames"]
    lights = [row for row in frames if row["role"] == "light"]
    used = [row for row in frames if row["used"]]
    lines = [f"{len(used)} of {len(lights)} frames used{_total_time(used)}.", ""]
    lines += [f"  {name:<14}{text}" for name, text in _figures(record, used)]
    lines += _left_out(frames)
    for warning in record["warnings"]:
        lines += ["", f"Note: {warning}"]
    lines += ["", *_files(record)]
    return "\n".join(lines)


def _total_time(used: list[dict[str, Any]]) -> str:
    if not used or any(row["exposure_s"] is None for row in used):
        return ""
    return f": {_duration(sum(row['exposure_s'] for row in used))} of light in all"


def _duration(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def _figures(record: dict[str, Any], used: list[dict[str, Any]]) -> list[tuple[str, str]]:
    geometry, integration = record["geometry"], record["integration"]
    rows = []
    camera = record["camera"]["name"]
    if camera:
        rows.append(("Camera", camera))
    if geometry["field_deg"]:
        wide, high = geometry["field_deg"]
        rows.append(("Field", f"{wide:.0f}° × {high:.0f}°"))
    if geometry["turn_deg"] is not None:
        rate = geometry["rate_arcsec_s"]
        measured = f" ({rate:.2f}″ a second; the sky's own rate is 15.04)" if rate else ""
        rows.append(("Sky turned", f"{geometry['turn_deg']:.2f}°{measured}"))
    if geometry["residual_px"] is not None and len(used) > 1:
        stars = sorted(row["matched"] for row in used if row["matched"] is not None)
        count = f"{stars[len(stars) // 2]} stars a frame, " if stars else ""
        rows.append(("Alignment", f"{count}typically {geometry['residual_px']:.2f} px off"))
    gain = integration["noise_gain"]
    if gain:
        best = len(used) ** 0.5
        rows.append(("Noise", f"{gain:.1f} times less than one frame (at best {best:.1f})"))
    rejected = integration["rejected_share"]
    if rejected:
        rows.append(
            (
                "Left out",
                f"{100 * rejected:.2g} % of the samples (trails, flashes), "
                f"{integration['defects']} hot or dead pixels",
            )
        )
    rows.append(("Reference", record["reference"]))
    return rows


def _left_out(frames: list[dict[str, Any]]) -> list[str]:
    """The files that are not in the picture; frames first, each with its reason."""
    missing = [row for row in frames if not row["used"]]
    missing.sort(key=lambda row: row["role"] != "light")
    if not missing:
        return []
    lines = ["", "Not used:"]
    lines += [f"  {row['file']}: {row['reason']}" for row in missing[:_MOST_LISTED]]
    if len(missing) > _MOST_LISTED:
        lines.append(f"  and {len(missing) - _MOST_LISTED} more, listed in run.json")
    return lines


def _files(record: dict[str, Any]) -> list[str]:
    folder, files = Path(record["output"]["folder"]), record["output"]["files"]
    said = {
        "preview": "look at this first",
        "tiff": "open this in your photo editor: linear, so dark until you stretch it",
        "fits": "the measurement, with variance and coverage",
        "record": "what was done with every file, and why",
    }
    return [f"Written to {folder}:"] + [f"  {files[k]:<12} {text}" for k, text in said.items()]
