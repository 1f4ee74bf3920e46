"""The table of a comparison for the terminal, and what to take."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .terminal import fitted, shown

_NARROWEST = 60
_WIDE = 100
"""Columns of the terminal from which on all figures fit."""


@dataclass(frozen=True)
class _Column:
    key: str
    head: tuple[str, str]
    text: Callable[[Any], str]
    always: bool = True


def _percent(value: float, places: int = 1) -> str:
    text = f"{100 * value:.{places}f}"
    return f"{'0' if float(text) == 0 else text}%"


_COLUMNS = (
    _Column("noise_gain", ("less", "noise"), lambda v: f"{v:.2f}×"),
    _Column("noise_share", ("of", "√N"), lambda v: _percent(v, 0)),
    _Column("width_px", ("star", "px"), lambda v: f"{v:.2f}"),
    _Column("depth_mag", ("fainter", "mag"), lambda v: f"{v:.2f}"),
    _Column("trail_left", ("trails", "left"), _percent),
    _Column("hot_left", ("hot px", "left"), lambda v: _percent(v), always=False),
    _Column("core_bias", ("star", "cores"), _percent),
    _Column(
        "colour_shift", ("colour", "R, B"), lambda v: ", ".join(map(_percent, v)), always=False
    ),
    _Column("rejected_share", ("left", "out"), lambda v: _percent(v, 2)),
    _Column("seconds", ("time", "s"), lambda v: f"{v:.1f}"),
)


def comparison_text(record: Mapping[str, Any], out: Path, columns: int = 80) -> str:
    """What a comparison says at its end: the table, the advice, where to look."""
    width = max(columns, _NARROWEST)
    frames, advice = record["frames"], record["recommendation"]
    lines = [f"{frames['used']} of {frames['given']} frames compared.", ""]
    lines += _table(record, width)
    lines += ["", *(fitted("  ", reason, width, 2) for reason in advice["reasons"])]
    lines += ["", fitted("Take: ", advice["method"], width)]
    lines.append(fitted("Look: ", str(out / "compare.html"), width))
    return "\n".join(lines)


def _table(record: Mapping[str, Any], width: int) -> list[str]:
    shown_columns = [c for c in _COLUMNS if c.always or width >= _WIDE]
    rows = [
        ["", *(c.head[0] for c in shown_columns)],
        ["method", *(c.head[1] for c in shown_columns)],
    ]
    taken = record["recommendation"]["method"]
    for method in record["methods"]:
        name = shown(method["name"]) + (" ←" if method["name"] == taken else "")
        cells = (method.get(c.key) for c in shown_columns)
        texts = ("–" if v is None else c.text(v) for c, v in zip(shown_columns, cells, strict=True))
        rows.append([name, *texts])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            [
                row[0].ljust(widths[0]),
                *(t.rjust(w) for t, w in zip(row[1:], widths[1:], strict=True)),
            ]
        ).rstrip()
        for row in rows
    ]
