"""Records as files: JSON that is written, read and checked against ``schemas``."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast, get_args, get_type_hints

import msgspec
import numpy as np

from stackkit.errors import InputError
from stackkit.run.files import replacing
from stackkit.schemas.run import RunRecord

(SCHEMA,) = get_args(get_type_hints(RunRecord)["schema"])
"""Name and version of the schema; the number grows when old readers would be misled."""


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
        # File names that are not UTF-8 contain lone surrogates; their backslash form is valid JSON.
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
    """NaN and Infinity are not JSON (RFC 8259, section 6)."""
    raise ValueError(word)


def checked(path: Path) -> RunRecord:
    """The record in ``path``, checked against the schema of a run: a file may come from anybody.

    Raises ``InputError`` naming the first faulty field.
    """
    record = read_record(path)
    try:
        msgspec.convert(record, RunRecord)
    except msgspec.ValidationError as fault:
        where = str(fault).partition("`$.")[2].rstrip("`") or "the whole"
        raise InputError(
            f"{path} is damaged or was changed: “{where}” is not as it should be. Stack the frames "
            "again to get a new one."
        ) from fault
    return cast(RunRecord, record)
