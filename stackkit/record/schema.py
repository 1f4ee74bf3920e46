"""The record of a run, ``run.json``: the single account of what was done, and why.

Its shape is documented by the JSON Schema beside this file, ``run.schema.json``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from stackkit.errors import InputError
from stackkit.run.files import replacing

SCHEMA = "stackkit-run/5"
"""Name and version of the record's shape; the number grows when old readers would be misled."""


def run_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a record."""
    text = (
        files("stackkit.record").joinpath("schemas", "run.schema.json").read_text(encoding="utf-8")
    )
    schema: dict[str, Any] = json.loads(text)
    return schema


def plain(value: Any) -> Any:
    """``value`` in the types JSON has: numpy's turned into Python's, NaN and infinity into None.

    Raises ``TypeError`` for what has no plain form.
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, Path):
        return value.as_posix()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    raise TypeError(f"a {type(value).__name__} has no place in a record")


def write_record(path: Path, record: Mapping[str, Any]) -> None:
    """Write ``record`` to ``path`` as UTF-8 JSON, its keys in the order given.

    Raises ``OutputError`` when the disk refuses and ``TypeError`` as :func:`plain` does.
    """
    text = json.dumps(plain(record), ensure_ascii=False, allow_nan=False, indent=1)
    with replacing(path) as temporary:
        # File names that are no UTF-8 hold lone surrogates; their backslash form is valid JSON.
        temporary.write_bytes((text + "\n").encode("utf-8", "backslashreplace"))


def read_record(path: Path) -> dict[str, Any]:
    """The record in ``path``.  Raises ``InputError`` when there is none that this version reads."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refused)
    except OSError as error:
        raise InputError(
            f"Cannot read {path}: {error.strerror or error}. Name the run.json of a finished run."
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"{path} isn't JSON or is damaged. Stack the frames again to get a new one."
        ) from error
    schema = record.get("schema") if isinstance(record, dict) else None
    if schema != SCHEMA:
        said = f"calls itself {schema!r}" if schema else "does not say what it is"
        raise InputError(
            f"{path} {said}, not {SCHEMA!r}. Read it with the version of stackkit that wrote it, "
            "or stack the frames again."
        )
    return dict(record)


def _refused(word: str) -> None:
    """NaN and Infinity are no JSON (RFC 8259, section 6)."""
    raise ValueError(word)


def checked(path: Path) -> dict[str, Any]:
    """The same, if it has the shape that its schema says: a file may come from anybody.

    Raises ``InputError`` with the place of the first fault.
    """
    from jsonschema import Draft202012Validator  # takes a while to load, and is seldom asked for

    record = read_record(path)
    fault = next(Draft202012Validator(run_schema()).iter_errors(record), None)
    if fault is not None:
        where = "/".join(map(str, fault.absolute_path)) or "the whole"
        raise InputError(
            f"{path} is damaged or was changed: “{where}” is not as it should be. Stack the frames "
            "again to get a new one."
        )
    return record
