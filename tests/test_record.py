"""The record against JSON Schema draft 2020-12 (the jsonschema package) and RFC 8259."""

from __future__ import annotations

import json
import subprocess
import sys
from enum import StrEnum
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from sample_record import sample_record

from stackkit.errors import InputError
from stackkit.record.file import SCHEMA, plain, read_record, write_record
from stackkit.schemas.fields import schema_of
from stackkit.schemas.run import RunRecord

VALIDATOR = Draft202012Validator(schema_of(RunRecord))


def written(tmp_path, record=None):
    path = tmp_path / "run.json"
    write_record(path, sample_record() if record is None else record)
    return path


def properties(schema):
    """Every property of a schema, at any depth, as (name, its schema)."""
    for part in [schema, *schema.get("$defs", {}).values()]:
        for name, inner in part.get("properties", {}).items():
            yield name, inner
            yield from properties(inner)


def test_the_schema_is_one():
    Draft202012Validator.check_schema(schema_of(RunRecord))
    assert schema_of(RunRecord)["properties"]["schema"]["enum"] == [SCHEMA]


def test_the_schema_can_be_printed():
    command = [sys.executable, "-m", "stackkit.schemas"]
    printed = subprocess.run([*command, "run"], capture_output=True, check=True, text=True)
    assert json.loads(printed.stdout) == schema_of(RunRecord)
    unknown = subprocess.run([*command, "night"], capture_output=True, text=True)
    assert (unknown.returncode, unknown.stdout) == (1, "")
    assert "run, compare, inspect, plan" in unknown.stderr


def test_every_property_is_described():
    whole = schema_of(RunRecord)
    found = dict(properties(whole))
    assert {"frames", "fwhm_px", "r_max", "noise_gain", "warnings"} <= set(found)
    for name, schema in found.items():
        (row,) = {p["$ref"] for p in (schema, *schema.get("anyOf", ())) if "$ref" in p} or {None}
        described = schema if row is None or "description" in schema else whole["$defs"][row[8:]]
        assert described["description"].endswith("."), name


def test_a_written_record_fits_the_schema(tmp_path):
    VALIDATOR.validate(read_record(written(tmp_path)))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.update(schema="stackkit-run/1"),
        lambda r: r.pop("integration"),
        lambda r: r.update(surprise=1),
        lambda r: r["frames"][0].update(used=False),  # without a reason
        lambda r: r["frames"][0].update(reason="but it is used"),
        lambda r: r["frames"][2].update(weight=0.5),  # of a frame that is not used
        lambda r: r["frames"][4].update(used=True, reason=""),  # though it is no light
        lambda r: r["frames"][0].update(time="2026-10-13T20:41:11"),  # no zone
        lambda r: r["frames"][0].pop("mapping"),
        lambda r: r["frames"][0]["mapping"].update(matrix=[[1, 0], [0, 1]]),
        lambda r: r["camera"].update(orientation=9),
        lambda r: r["geometry"]["lens"].pop("k1"),
    ],
)
def test_the_schema_refuses(spoil):
    record = plain(sample_record())
    VALIDATOR.validate(record)
    spoil(record)
    assert not VALIDATOR.is_valid(record)


def test_an_empty_run_fits_the_schema():
    record = plain(sample_record())
    record.update(reference=None, frames=[], warnings=[])
    record["camera"] = {**dict.fromkeys(record["camera"]), "orientation": 1}
    record["geometry"] = dict.fromkeys(record["geometry"])
    VALIDATOR.validate(record)


def test_what_json_cannot_say_becomes_null(tmp_path):
    text = written(tmp_path).read_text(encoding="utf-8")

    def refuse(word):  # RFC 8259, section 6: NaN and Infinity are not permitted
        raise AssertionError(word)

    record = json.loads(text, parse_constant=refuse)
    assert record["frames"][2]["fwhm_px"] is None
    assert record["geometry"]["lens"]["r_max"] is None
    assert record["integration"]["noise_stack_adu"] == [2.4, 2.9, None]


def test_types_become_plain():
    class Kind(StrEnum):
        LIGHT = "light"

    given = {
        "float32": np.float32(0.5),
        "whole": np.int16(3),
        "truth": np.bool_(True),
        "array": np.array([[1.0, np.inf]]),
        "tuple": (1, None, -np.inf),
        "enum": Kind.LIGHT,
        "path": Path("a") / "b",
        7: False,
    }
    result = plain(given)
    assert result == {
        "float32": 0.5,
        "whole": 3,
        "truth": True,
        "array": [[1.0, None]],
        "tuple": [1, None, None],
        "enum": "light",
        "path": "a/b",
        "7": False,
    }
    assert type(result["enum"]) is str
    assert type(result["truth"]) is bool
    assert type(result["whole"]) is int
    with pytest.raises(TypeError, match="set"):
        plain({"a": {1, 2}})


def test_keys_keep_their_order_and_the_bytes_repeat(tmp_path):
    path = written(tmp_path)
    first = path.read_bytes()
    assert list(json.loads(first)) == list(sample_record())
    assert written(tmp_path).read_bytes() == first
    assert first.endswith(b"}\n")


def test_names_of_any_kind_come_back(tmp_path):
    record = sample_record()
    names = ["Sternenfeld ü.dng", "夜空.dng", "not utf-8 \udcff.dng", 'quote " and \\.dng']
    for frame, name in zip(record["frames"], names, strict=False):
        frame["file"] = name
    path = written(tmp_path, record)
    assert "夜空".encode() in path.read_bytes()
    path.read_bytes().decode("utf-8")
    assert [f["file"] for f in read_record(path)["frames"]][:4] == names


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "Cannot read"),
        (b"", "damaged"),
        (b"{", "damaged"),
        (b"\xff\xfe{}", "damaged"),
        (b"[]", "does not say what it is"),
        (b"{}", "does not say what it is"),
        (b'{"schema": "stackkit-run/99"}', "stackkit-run/99"),
    ],
)
def test_what_is_no_record_is_said_so(tmp_path, content, words):
    path = tmp_path / "run.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=words) as caught:
        read_record(path)
    assert str(path) in str(caught.value)
