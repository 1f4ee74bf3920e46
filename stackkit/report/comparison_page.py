"""``compare.html``: one file that opens from disk, with a policy that loads nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any

from jinja2 import Template

from stackkit.report.chart import chart, points, verdict
from stackkit.report.document import data_uri, environment, rendered
from stackkit.report.method_figures import FIGURES, NOTHING, Figure, best, ordered
from stackkit.schemas.comparison import ComparisonRecord, CropRecord, MakeRecord, MethodRecord


def page_of_comparison(record: ComparisonRecord, crops: Mapping[str, bytes]) -> str:
    """The page of a comparison as HTML text that can be written as UTF-8.

    ``record`` is that of a comparison; ``crops`` holds the PNG of each file name
    that it mentions.  A picture missing from ``crops`` is reported as missing on the page.
    """
    methods = ordered(record)
    measured = points(record["convergence"])
    return rendered(
        _template(),
        ("base.css", "figures.css", "compare.css"),
        "compare.js",
        record=record,
        made=_moment(record["made"]),
        camera=_camera(record["camera"]),
        chosen=_chosen(record, methods),
        methods=_described(methods),
        figures=FIGURES,
        rows=_rows(record, methods),
        places=_places(record["crops"], methods, crops),
        chart=chart(measured),
        measured=measured,
        verdict=verdict(measured),
    )


@cache
def _template() -> Template:
    return environment().get_template("compare.html")


def _moment(text: str) -> str:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return text
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC)
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def _camera(camera: MakeRecord | None) -> str:
    return " ".join(word for word in (camera["make"], camera["model"]) if word) if camera else ""


def _chosen(record: ComparisonRecord, methods: Sequence[MethodRecord]) -> dict[str, Any] | None:
    """The recommendation, with the method's row (None where it has none)."""
    advice = record["recommendation"]
    if advice is None:
        return None
    row = next((method for method in methods if method["name"] == advice["method"]), None)
    return {**advice, "row": row}


def _described(methods: Sequence[MethodRecord]) -> list[dict[str, Any]]:
    return [
        {
            "name": method["name"],
            "purpose": method["purpose"],
            "parameters": [
                f"{name} {_value(value)}" for name, value in method["parameters"].items()
            ],
        }
        for method in methods
    ]


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _rows(record: ComparisonRecord, methods: Sequence[MethodRecord]) -> list[dict[str, Any]]:
    """The table: a row for each method, with a cell for each figure."""
    advice = record["recommendation"]
    chosen, as_good = (advice["method"], advice["as_good"]) if advice else (None, [])
    winners = {figure.key: best(figure, methods) for figure in FIGURES}
    return [
        {
            "name": method["name"],
            "recommended": method["name"] == chosen,
            "as_good": method["name"] in as_good,
            "cells": [_cell(figure, method, winners[figure.key]) for figure in FIGURES],
        }
        for method in methods
    ]


def _cell(figure: Figure, method: MethodRecord, winners: set[str]) -> dict[str, Any]:
    text = figure.text(method)
    return {
        "figure": figure,
        "text": NOTHING if text is None else text,
        "why": figure.missing if text is None else None,
        "best": method["name"] in winners,
    }


def _places(
    rows: Sequence[CropRecord], methods: Sequence[MethodRecord], crops: Mapping[str, bytes]
) -> list[dict[str, Any]]:
    """The places with their pictures in the order of the methods, as data: URIs."""
    return [
        {
            **row,
            "pictures": [
                {"number": index, "name": method["name"], "source": _source(row, method, crops)}
                for index, method in enumerate(methods)
                if method["name"] in row["pictures"]
            ],
            "shown_width": round(row["width"] * row["magnified"]),
            "shown_height": round(row["height"] * row["magnified"]),
        }
        for row in rows
    ]


def _source(row: CropRecord, method: MethodRecord, crops: Mapping[str, bytes]) -> str | None:
    data = crops.get(row["pictures"][method["name"]])
    return None if data is None else data_uri(data, "png")
