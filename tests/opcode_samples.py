"""DNG opcodes written out for the tests."""

from __future__ import annotations

import struct

import numpy as np

from stackkit.output.opcode_list import area_data, gain_map_opcode, opcode, opcode_list
from stackkit.raw.opcodes.apply import apply
from stackkit.raw.opcodes.lists import Opcodes, parse

PATTERN = np.array([[0, 1], [1, 2]], np.uint8)
SHAPE = (6, 8)
ALL = area_data(0, 0, *SHAPE)


def doubles(*values):
    return struct.pack(f">{len(values)}d", *values)


def lines(number, values, area):
    return opcode(number, area + struct.pack(f">I{len(values)}f", len(values), *values))


def polynomial(*coefficients, area=ALL):
    return opcode(8, area + struct.pack(">I", len(coefficients) - 1) + doubles(*coefficients))


def table(*entries, area=ALL):
    return opcode(7, area + struct.pack(f">I{len(entries)}H", len(entries), *entries))


def opcodes(raw=(), linear=(), picture=(), origin=(0, 0), raw_origin=(0, 0), area=SHAPE):
    lists = [parse(opcode_list(listed)) for listed in (raw, linear, picture)]
    return Opcodes(*lists, raw_origin=raw_origin, origin=origin, area=area)


def applied(asked, plane=None, pattern=PATTERN):
    plane = np.ones(SHAPE, np.float32) if plane is None else np.array(plane, np.float32)
    apply(asked, plane, pattern)
    return plane


def some_of_each(height, width, pitch, corner, plane, planes, rng):
    """One opcode of each kind that changes values, over part of a picture."""
    area = area_data(*corner, height, width, plane=plane, planes=planes, pitch=pitch)
    rows = -(-(height - corner[0]) // pitch[0])
    columns = -(-(width - corner[1]) // pitch[1])
    gains = rng.uniform(0.5, 2, (3, 4, 3))
    return [
        gain_map_opcode(area, gains, spacing=(0.3, 0.2), origin=(0.1, 0.2)),
        lines(10, rng.uniform(0, 0.1, rows), area),
        lines(13, rng.uniform(0.5, 2, columns), area),
        opcode(3, doubles(0.5, 0.1, 0, 0, 0, 0.3, 0.6)),
        lines(12, rng.uniform(0.5, 2, rows), area),
        lines(11, rng.uniform(0, 0.1, columns), area),
        table(*np.arange(0, 65536, 2), area=area),
        polynomial(0.01, 0.5, 0.25, area=area),
    ]
