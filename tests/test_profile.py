"""The ICC profiles by LittleCMS (through Pillow) and by what ICC.1:2022 asks of a header."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from stackkit.output.profile import linear_profile
from stackkit.picture.colour.spaces import SPACES, SRGB, to_connection

each_space = pytest.mark.parametrize("space", SPACES.values(), ids=lambda space: space.key)


@each_space
def test_littlecms_reads_it(space):
    profile = ImageCms.ImageCmsProfile(io.BytesIO(linear_profile(space))).profile
    assert profile.version == 4.4
    assert profile.device_class == "mntr"
    assert (profile.xcolor_space.strip(), profile.connection_space.strip()) == ("RGB", "XYZ")
    assert profile.is_matrix_shaper
    assert space.name in profile.profile_description
    names = ("red_colorant", "green_colorant", "blue_colorant")
    colorants = np.stack([getattr(profile, name)[0] for name in names], axis=1)
    np.testing.assert_allclose(colorants, to_connection(space), atol=2e-4)


@each_space
def test_littlecms_turns_it_into_srgb_as_the_mathematics_do(space):
    # Through 8-bit sRGB pictures, the only kind that Pillow's own modes go to from RGB.
    steps = np.linspace(0, 1, 6)
    pixels = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(1, -1, 3)
    codes = np.rint(pixels * 255).astype(np.uint8)
    source = ImageCms.ImageCmsProfile(io.BytesIO(linear_profile(space)))
    turned = ImageCms.profileToProfile(
        Image.fromarray(codes), source, ImageCms.createProfile("sRGB"), renderingIntent=1
    )
    matrix = np.linalg.solve(to_connection(SRGB), to_connection(space))
    linear = np.clip(codes[0] / 255 @ matrix.T, 0, 1)
    # IEC 61966-2-1
    wanted = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    assert np.abs(np.asarray(turned)[0] - 255 * wanted).max() < 1.6


@each_space
def test_the_header(space):
    data = linear_profile(space)
    assert struct.unpack(">I", data[:4])[0] == len(data) < 640
    assert data[36:40] == b"acsp"
    blank = data[:44] + bytes(4) + data[48:64] + bytes(4) + data[68:84] + bytes(16) + data[100:]
    assert hashlib.md5(blank, usedforsecurity=False).digest() == data[84:100]
    count = struct.unpack(">I", data[128:132])[0]
    ends = []
    for k in range(count):
        _, at, size = struct.unpack(">4sII", data[132 + 12 * k : 144 + 12 * k])
        assert at % 4 == 0
        ends.append(at + size)
    assert len(data) - max(ends) in range(4)
    # Colorants add up to the illuminant of the connection space, to its last digit.
    tags = {data[132 + 12 * k :][:4]: data[132 + 12 * k + 4 :][:8] for k in range(count)}
    total = np.zeros(3)
    for name in (b"rXYZ", b"gXYZ", b"bXYZ"):
        at, size = struct.unpack(">II", tags[name])
        total += np.array(struct.unpack(">3i", data[at + 8 : at + size])) / 65536
    np.testing.assert_allclose(total, (0.9642, 1.0, 0.8249), atol=3e-5)
