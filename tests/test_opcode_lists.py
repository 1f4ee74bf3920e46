"""DNG opcode lists: their form, their damage, and what is said of them (DNG 1.7.1, chapter 7)."""

from __future__ import annotations

import struct
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from opcode_samples import (
    ALL,
    PATTERN,
    SHAPE,
    applied,
    doubles,
    lines,
    opcodes,
    polynomial,
    some_of_each,
)
from scenes import examples

from stackkit.output.opcode_list import area_data, gain_map_opcode, opcode, opcode_list
from stackkit.raw.opcodes.apply import (
    account,
    gain_field,
    lens_hint,
    marked_sites,
)
from stackkit.raw.opcodes.lists import MOST_OPCODES, NO_OPCODES, Opcodes, parse


def test_a_list_is_big_endian_with_numbered_flagged_entries():
    blob = bytes.fromhex("00000002" + "0000000901030000" + "00000003" + "00000002" + "abcd")
    blob += bytes.fromhex("0000004d01040000" + "00000002" + "00000000")
    first, second = parse(blob)
    assert (first.number, first.name, first.optional, first.data) == (
        9,
        "GainMap",
        True,
        b"\xab\xcd",
    )
    assert (second.number, second.name, second.optional, second.data) == (
        77,
        "opcode 77",
        False,
        b"",
    )
    assert hash(replace(NO_OPCODES, raw=(first, second)))


def test_a_list_cut_anywhere_is_refused():
    blob = opcode_list([gain_map_opcode(ALL, np.ones((2, 2))), opcode(77, b"")])
    for end in range(len(blob)):
        with pytest.raises(ValueError, match="cut short"):
            parse(blob[:end])
    with pytest.raises(ValueError, match="claims"):
        parse(opcode_list([opcode(77, b"")] * (MOST_OPCODES + 1)))


def test_account_says_what_becomes_of_each():
    gain = gain_map_opcode(ALL, [[2.0]])
    colours = gain_map_opcode(area_data(0, 0, *SHAPE, planes=3), [[2.0]])
    warp = opcode(1, struct.pack(">I", 1) + doubles(1, 0, 0, 0, 0, 0, 0.5, 0.5))
    asked = opcodes(
        raw=[lines(12, [2.0] * 6, ALL), polynomial(0, 1)],
        linear=[gain, opcode(77, b"", optional=True), opcode(77, b"")],
        picture=[colours, warp, colours],
    )
    said = [(fate.list_number, fate.name, fate.what, fate.lacking) for fate in account(asked)]
    approximation = "applied after the black level instead of before: an approximation"
    assert said[0] == (1, "ScalePerRow", approximation, False)
    assert said[1][2].startswith("not applied: it is meant for codes with their black level")
    assert said[1][3]
    assert said[2] == (2, "GainMap", "applied", False)
    assert said[3] == (2, "opcode 77", "unknown, optional: left out", False)
    words = "unknown, and the file says it must not be left out"
    assert said[4] == (2, "opcode 77", words, True)
    assert "each site as to its own colour" in said[5][2]
    assert "without the warp before it" in said[7][2]
    np.testing.assert_array_equal(applied(asked), 2 * 2 * 2 * 2)


GOOD_MAP = area_data(0, 0, *SHAPE) + struct.pack(">2I4dI4f", 2, 2, 1, 1, 0, 0, 1, 1, 2, 3, 4)


def with_bytes(at, form, *values, data=GOOD_MAP):
    changed = bytearray(data)
    struct.pack_into(f">{form}", changed, at, *values)
    return bytes(changed)


@pytest.mark.parametrize(
    ("number", "data", "reason"),
    [
        (9, GOOD_MAP[:-1], "cut short"),
        (9, b"", "cut short"),
        (9, with_bytes(76, "f", np.nan), "not numbers"),
        (9, with_bytes(76, "f", 0.0), "zero or below"),
        (9, with_bytes(76, "f", -1.0), "zero or below"),
        (9, with_bytes(76, "f", 1001.0), "over 1000"),
        (9, with_bytes(24, "I", 0), "pitch is zero"),
        (9, with_bytes(20, "I", 0), "no colour plane"),
        (9, with_bytes(16, "I", 1), "colour plane 1"),
        (9, with_bytes(32, "I", 0), "no points"),
        (9, with_bytes(72, "I", 0), "no points"),
        (9, with_bytes(32, "2I", 2**32 - 1, 2**32 - 1), "cut short"),
        (9, with_bytes(40, "d", 0.0), "no distance"),
        (9, with_bytes(40, "d", np.nan), "not numbers"),
        (9, with_bytes(8, "2I2I2I", 0, 0, 0, 1, 2, 2), "area is empty"),
        (3, doubles(-2, 0, 0, 0, 0, 0.5, 0.5), "zero or below"),
        (3, doubles(1, 0, 0, 0, 0, 0.5, 1.5), "outside the picture"),
        (3, doubles(1, 0, np.inf, 0, 0, 0.5, 0.5), "not numbers"),
        (3, doubles(1e300, 0, 0, 0, 0, 0.5, 0.5), "terms over"),
        (5, struct.pack(">3I", 0, 2**32 - 1, 2**32 - 1), "cut short"),
        (6, struct.pack(">4I", 3, 3, 3, 8), "leave nothing"),
        (7, ALL + struct.pack(">I", 0), "no entries"),
        (7, ALL + struct.pack(">I", 2**31), "more than 65536"),
        (8, ALL + struct.pack(">I", 9) + bytes(80), "degree is over 8"),
        (8, ALL + struct.pack(">Id", 0, np.nan), "not numbers"),
        (8, ALL + struct.pack(">Id", 0, 1e300), "coefficients over"),
        (10, ALL + struct.pack(">6f", 6, *[2.0] * 5), "one value for each"),
        (10, ALL + struct.pack(">I6f", 6, *[2.0] * 6), "more than the whole range"),
        (12, ALL + struct.pack(">I6f", 6, *[0.0] * 6), "zero or below"),
        (13, ALL + struct.pack(">I8f", 7, *[1.0] * 8), "one value for each"),
        (1, struct.pack(">I", 0), "no number of colour planes"),
        (1, struct.pack(">I", 2**32 - 1), "no number of colour planes"),
        (2, struct.pack(">I", 1), "cut short"),
        (4, struct.pack(">2I", 17, 0), "only known in list 1"),
    ],
)
@pytest.mark.parametrize("optional", [False, True])
def test_damaged_data_are_left_out_and_told(number, data, reason, optional):
    damaged = opcodes(linear=[opcode(number, data, optional=optional), lines(12, [2.0] * 6, ALL)])
    fate, other = account(damaged)
    assert fate.what.startswith("not applied: ")
    assert reason in fate.what
    assert fate.lacking is not optional
    assert other.what == "applied"
    np.testing.assert_array_equal(applied(damaged), 2)
    assert lens_hint(damaged) is None
    assert marked_sites(damaged, np.zeros(SHAPE, np.uint16), PATTERN) is None


@lru_cache
def one_of_each():
    """A list of one of each kind of opcode."""
    rng = np.random.default_rng(1)
    listed = [*some_of_each(*SHAPE, (1, 2), (0, 1), 0, 3, rng)[:6], polynomial(0, 1)]
    listed += [opcode(5, struct.pack(">9I", 0, 1, 1, 2, 3, 0, 0, 2, 2))]
    listed += [opcode(6, struct.pack(">4I", 1, 1, 5, 5))]
    listed += [opcode(1, struct.pack(">I", 1) + doubles(1, 0, 0, 0, 0, 0, 0.5, 0.5))]
    return opcode_list(listed)


def mutated(data):
    """A list with some bytes changed is refused, or everything can be done with it."""
    blob = bytearray(one_of_each())
    places = st.integers(0, len(blob) - 1)
    for at in data.draw(st.lists(places, min_size=1, max_size=6)):
        blob[at] = data.draw(st.sampled_from([0, 1, 127, 128, 255]))
    try:
        found = parse(bytes(blob))
    except ValueError:
        return
    asked = Opcodes(found, found, found, (0, 0), (0, 0), SHAPE)
    applied(asked)
    gain_field(asked, SHAPE, PATTERN)
    marked_sites(asked, np.zeros(SHAPE, np.uint16), PATTERN)
    lens_hint(asked)
    assert len(account(asked)) == 3 * len(found)


@examples(60)
@given(data=st.data())
def test_mutated_lists_raise_nothing_but_value_error(data):
    mutated(data)


@pytest.mark.slow
@examples(300)
@given(data=st.data())
def test_many_mutated_lists_raise_nothing_but_value_error(data):
    mutated(data)
