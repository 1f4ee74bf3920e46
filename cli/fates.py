"""How a run's files were used: left out or with reduced weight, and why; grouped."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from stackkit.schemas.frames import FrameRecord

Line = tuple[str, str]
"""The start of the line, and the text after it, which may be wrapped below itself."""

MOST_LISTED = 12


def fates(frames: list[FrameRecord]) -> Iterator[Line]:
    """The files that are not in the picture, frames first; then those with reduced weight."""
    missing = [row for row in frames if not row["used"]]
    missing.sort(key=lambda row: row["role"] != "light")
    less = [row for row in frames if row["used"] and row["cause"]]
    for title, rows in (("Not used:", missing), ("Reduced weight:", less)):
        if rows:
            yield "", ""
            yield "", title
            yield from _listed(rows, frames)


def _listed(rows: list[FrameRecord], frames: list[FrameRecord]) -> Iterator[Line]:
    """A line for each cause, or for each reason where there is no cause."""
    groups: dict[str, list[FrameRecord]] = {}
    for row in rows:
        groups.setdefault(row["cause"] or row["reason"], []).append(row)
    for own in list(groups.values())[:MOST_LISTED]:
        yield "  ", _together(own, frames)
    rest = sum(map(len, list(groups.values())[MOST_LISTED:]))
    if rest:
        yield "  ", f"and {rest} more, listed in run.json"


def _together(rows: list[FrameRecord], frames: list[FrameRecord]) -> str:
    """A group of files with the same fate, and their figures."""
    if len({row["reason"] for row in rows}) == 1:
        return f"{_names(rows, frames)}: {rows[0]['reason']}"
    figures = [
        _range(rows, "{} % of the light lost", lambda row: _percent_lost(row["light"])),
        _range(rows, "weight {}", lambda row: f"{row['worth']:.2f}" if row["used"] else None),
    ]
    words = ", ".join([rows[0]["cause"], *(text for text in figures if text)])
    return f"{_names(rows, frames)}: {words}"


def _percent_lost(light: float | None) -> str | None:
    return f"{100 * (1 - light):.0f}" if light is not None and light < 0.95 else None


def _range(rows: list[FrameRecord], words: str, figure: Callable[[FrameRecord], str | None]) -> str:
    """The range of a figure over several files; empty where it is unknown for all."""
    known = sorted((text for row in rows if (text := figure(row)) is not None), key=float)
    if not known:
        return ""
    least, most = known[0], known[-1]
    return words.format(least if least == most else f"{least} to {most}")


def _names(rows: list[FrameRecord], frames: list[FrameRecord]) -> str:
    """The files' names, those that follow each other as "first to last (3 frames)"."""
    place = {id(row): number for number, row in enumerate(frames)}
    runs: list[list[FrameRecord]] = []
    for row in rows:
        if runs and place[id(row)] == place[id(runs[-1][-1])] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    names = []
    for run in runs[:_MOST_RUNS]:
        first, last = run[0]["file"], run[-1]["file"]
        joint = {1: "", 2: f" and {last}"}.get(len(run), f" to {last}")
        names.append(f"{first}{joint}")
    rest = sum(map(len, runs[_MOST_RUNS:]))
    more = f" and {rest} more" if rest else ""
    count = f" ({len(rows)} files)" if len(rows) > 2 else ""
    return ", ".join(names) + more + count


_MOST_RUNS = 4
"""Greatest number of names, or ranges of names, listed for a group of files."""
