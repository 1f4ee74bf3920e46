"""Types of the fields of records: numbers within limits, times, short lists, texts.

Lists rather than tuples, as JSON has them.
"""

from __future__ import annotations

import ast
import inspect
import sys
from itertools import pairwise
from typing import Annotated, Any, Literal, get_args, get_type_hints, is_typeddict

import msgspec
from msgspec import Meta

Count = Annotated[int, Meta(ge=0)]
NonNegative = Annotated[float, Meta(ge=0)]
Positive = Annotated[float, Meta(gt=0)]
Share = Annotated[float, Meta(ge=0, le=1)]
Latitude = Annotated[float, Meta(ge=-90, le=90)]
Longitude = Annotated[float, Meta(ge=-180, le=180)]
Two = Annotated[list[float], Meta(min_length=2, max_length=2)]
Three = Annotated[list[float], Meta(min_length=3, max_length=3)]
Four = Annotated[list[float], Meta(min_length=4, max_length=4)]
TwoOrNone = Annotated[list[float | None], Meta(min_length=2, max_length=2)]
ThreeOrNone = Annotated[list[float | None], Meta(min_length=3, max_length=3)]
Matrix = Annotated[list[Three], Meta(min_length=3, max_length=3)]
Text = Annotated[str, Meta(min_length=1)]
Digest = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
"""SHA-256 in hexadecimal digits."""
FormName = Literal["raw mosaic", "linear raw", "picture", "no picture"]
"""How raw a file is; the last for files that cannot be used."""
BayerPattern = Annotated[str, Meta(pattern="^[RGB]{4}$")]
"""Colours of the top left 2 × 2 sites, row by row."""
Time = Annotated[
    str,
    Meta(
        pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)$",
        extra_json_schema={"format": "date-time"},
    ),
]
"""ISO 8601 in UTC."""
LocalTime = Annotated[str, Meta(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d(:\d\d)?$")]
"""ISO 8601 with the offset of local time."""
Day = Annotated[str, Meta(pattern=r"^\d{4}-\d\d-\d\d$", extra_json_schema={"format": "date"})]


def schema_of(record: type) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a record type; other keys are not allowed."""
    _, shapes = msgspec.json.schema_components((record,), ref_template="#/$defs/{name}")
    for row in _rows_within(record):
        shape = shapes[row.__name__]
        shape["additionalProperties"] = False
        for field, text in _descriptions(row).items():
            shape["properties"][field].setdefault("description", text)
    whole = shapes.pop(record.__name__)
    draft = "https://json-schema.org/draft/2020-12/schema"
    return {"$schema": draft, **whole, "$defs": shapes}


def _rows_within(shape: Any) -> set[Any]:
    """The row types that a type contains, itself included."""
    own = {shape} if is_typeddict(shape) else set()
    parts = get_type_hints(shape).values() if own else get_args(shape)
    return own.union(*map(_rows_within, parts))


def _descriptions(row: type) -> dict[str, str]:
    """The text below each field of a row type, from the source of its module."""
    try:
        (written,) = ast.parse(inspect.getsource(row)).body
    except OSError:  # made by a call, as some keys are Python keywords
        return {}
    assert isinstance(written, ast.ClassDef)
    found: dict[str, str] = {}
    for base in written.bases:
        if isinstance(base, ast.Name) and base.id != "TypedDict":
            found |= _descriptions(vars(sys.modules[row.__module__])[base.id])
    for field, below in pairwise(written.body):
        match field, below:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(ast.Constant(str() as text)):
                found[name] = " ".join(text.split())
    return found
