"""``compare.html``: one file, no network, from the record of a comparison and its crops."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from stackkit.report.chart import convergence_chart, convergence_verdict

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Column:
    """A figure of the table: ``key`` in the record, heading, unit, how it is written, which value
    is best (``rank``, the least wins; None when none is better than another), what it means.
    """

    key: str
    head: str
    unit: str
    text: Callable[[Any], str]
    rank: Callable[[Any], float] | None
    meaning: str


def _percent(value: float, places: int = 1) -> str:
    shown = f"{100 * value:.{places}f}"
    return f"{'0' if float(shown) == 0 else shown} %"


COLUMNS = (
    Column(
        "noise_gain",
        "Less noise",
        "times",
        lambda v: f"{v:.2f}",
        lambda v: -v,
        "How many times lower the noise is than in one frame, measured on patches of empty sky.",
    ),
    Column(
        "noise_share",
        "Of what is possible",
        "",
        lambda v: _percent(v, 0),
        None,
        "The same as a share of the square root of the number of frames: no average of equal "
        "frames can do better.",
    ),
    Column(
        "width_px",
        "Star width",
        "px",
        lambda v: f"{v:.2f}",
        lambda v: v,
        "How wide stars are at half their height. Narrower shows finer things.",
    ),
    Column(
        "depth_mag",
        "Fainter stars",
        "magnitudes",
        lambda v: f"{v:.2f}",
        lambda v: -v,
        "How much fainter a star may be, and still stand out five times from the noise, than in "
        "one frame. One magnitude is two and a half times less light.",
    ),
    Column(
        "trail_left",
        "Trails left",
        "",
        _percent,
        abs,
        "What is left of satellites and aircraft; 100 % is what a plain mean keeps of them.",
    ),
    Column(
        "hot_left",
        "Hot pixels left",
        "",
        lambda v: _percent(v, 1),
        abs,
        "How far the places of hot pixels still stand out, in noise of one frame.",
    ),
    Column(
        "core_bias",
        "Star cores",
        "",
        _percent,
        abs,
        "How much brighter or darker the middle of bright stars is than in the plain mean.",
    ),
    Column(
        "colour_shift",
        "Colour of stars",
        "R, B",
        lambda v: ", ".join(_percent(part) for part in v),
        lambda v: max(abs(part) for part in v),
        "How much redder or bluer (against green) stars are than in the plain mean.",
    ),
    Column(
        "rejected_share",
        "Left out",
        "",
        lambda v: _percent(v, 2),
        None,
        "Share of all samples that had no part in the picture.",
    ),
    Column("seconds", "Time", "s", lambda v: f"{v:.1f}", None, "Besides what all methods share."),
)


def page_of_comparison(record: Row, crops: Mapping[str, bytes]) -> str:
    """The page (HTML) of a record in the shape of ``compare.schema.json``.

    ``crops``: PNG files by the names that the record gives them; one that is not there is left out.
    """
    style, script = (
        files("stackkit.report").joinpath("pages", name).read_text(encoding="utf-8")
        for name in ("comparison.css", "comparison.js")
    )
    source = files("stackkit.report").joinpath("pages", "comparison.html.j2")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(
        source.read_text(encoding="utf-8")
    )
    names = [method["name"] for method in record["methods"]]
    best = record["recommendation"]["method"]
    other = "mean" if "mean" in names and best != "mean" else names[-1]
    return template.render(
        record=record,
        policy=_policy(style, script),
        style=Markup(style),
        script=Markup(script),
        places=_places(record, crops),
        names=names,
        first=best,
        second=other,
        columns=COLUMNS,
        rows=_rows(record),
        chart=convergence_chart(record["convergence"]),
        verdict=convergence_verdict(record["convergence"]),
        minutes=_minutes,
    )


def _policy(style: str, script: str) -> str:
    """Nothing from anywhere: our own style and script by their hashes, pictures as data."""
    hashes = [
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        for text in (style, script)
    ]
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{hashes[0]}'; "
        f"script-src 'sha256-{hashes[1]}'; base-uri 'none'; form-action 'none'"
    )


def _places(record: Row, crops: Mapping[str, bytes]) -> list[dict[str, Any]]:
    places: list[dict[str, Any]] = []
    for place in record["crops"]:
        found = [
            {"method": method, "uri": _uri(crops[name])}
            for method, name in place["pictures"].items()
            if name in crops
        ]
        if found:
            places.append({**place, "number": len(places), "crops": found})
    return places


def _uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode()


def _rows(record: Row) -> list[dict[str, Any]]:
    """The table: each method's cells with their text and whether they are the best of a column."""
    methods = record["methods"]
    best = {}
    for column in COLUMNS:
        values = [m[column.key] for m in methods if column.rank and _known(m, column)]
        best[column.key] = min(values, key=column.rank) if len(methods) > 1 and values else None
    return [
        {"name": method["name"], "cells": [_cell(method, c, best[c.key]) for c in COLUMNS]}
        for method in methods
    ]


def _known(method: Row, column: Column) -> bool:
    return method.get(column.key) is not None


def _cell(method: Row, column: Column, best: Any) -> dict[str, Any]:
    if not _known(method, column):
        return {"head": column.head, "text": "–", "best": False}
    value = method[column.key]
    unit = f" {column.unit}" if column.unit in ("px", "s") else ""
    return {
        "head": column.head,
        "text": column.text(value) + unit,
        "best": _alike(value, best, column),
    }


def _alike(value: Any, best: Any, column: Column) -> bool:
    """Whether a value reads like the best one."""
    return best is not None and column.text(value) == column.text(best)


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.1f} minutes"
