"""A record of a comparison made up for tests, and pictures for it, small but real PNG."""

from __future__ import annotations

import struct
import zlib

NAMES = (
    "by-sample", "noise-model", "mean", "median", "sigma-clip", "winsorised",
    "maximum", "minimum", "trimmed", "weighted", "linear-fit", "half-and-half",
)  # fmt: skip
PLACES = ("star-field", "trail", "faint", "corner", "bright-star")


def method(name="by-sample", **changes):
    usual = {
        "name": name,
        "purpose": "cuts single samples out where something crossed them",
        "parameters": {"kappa": 3.0},
        "noise_gain": 4.81,
        "noise_share": 0.982,
        "width_px": 2.51,
        "width_ratio": 0.95,
        "depth_mag": 1.72,
        "trail_left": 0.004,
        "hot_left": 0.003,
        "core_bias": -0.002,
        "colour_shift": [0.001, -0.002],
        "rejected_share": 0.004,
        "seconds": 3.2,
        "score": 1.0,
    }
    return {**usual, **changes}


def mean(**changes):
    usual = {
        "purpose": "least noise when nothing crosses the frames",
        "parameters": {},
        "noise_gain": 4.86,
        "noise_share": 0.992,
        "trail_left": 1.0,
        "hot_left": 0.031,
        "core_bias": 0.0,
        "colour_shift": [0.0, 0.0],
        "rejected_share": 0.0,
        "seconds": 1.1,
        "score": 0.61,
    }
    return method("mean", **{**usual, **changes})


def crop(place="star-field", methods=("by-sample", "mean"), **changes):
    usual = {
        "place": place,
        "title": "A field of stars",
        "x": 1000,
        "y": 700,
        "width": 160,
        "height": 120,
        "magnified": 3,
        "pictures": {name: f"{place}-{number}.png" for number, name in enumerate(methods)},
        "note": "Look at the grain between the stars.",
    }
    return {**usual, **changes}


def comparison(**changes):
    """The example: two methods, one place."""
    usual = {
        "format": "stackkit-compare/1",
        "version": "0.1.0",
        "made": "2026-11-26T01:20:00Z",
        "frames": {
            "given": 26,
            "used": 24,
            "reference": "IMG_0012.dng",
            "exposure_s": 8.0,
            "total_s": 192.0,
        },
        "camera": {"make": "Some Maker", "model": "Phone 1"},
        "methods": [mean(), method()],
        "recommendation": {
            "method": "by-sample",
            "reasons": ["It leaves no trails.", "Its noise is next to the least."],
            "as_good": [],
        },
        "convergence": [
            {"frames": frames, "noise_gain": 0.99 * frames**0.5} for frames in (1, 2, 4, 8, 12, 24)
        ],
        "crops": [crop()],
        "timing": {"shared_s": 12.1, "all_s": 40.2},
    }
    return {**usual, **changes}


def many(count=12):
    """A comparison of ``count`` methods at all places."""
    names = NAMES[:count]
    return comparison(
        methods=[
            method(name, noise_gain=4.8 - 0.1 * i, seconds=1.0 + i, score=1 - 0.05 * i)
            for i, name in enumerate(names)
        ],
        crops=[crop(place, names, title=place.replace("-", " ").title()) for place in PLACES],
    )


def pictures(record):
    """A tiny PNG for every name that the record mentions, each of another grey."""
    files = [name for place in record["crops"] for name in place["pictures"].values()]
    return {name: _png(number % 256) for number, name in enumerate(files)}


def _png(grey):
    """A PNG of one grey pixel (W3C PNG, third edition: signature, IHDR, IDAT, IEND)."""

    def chunk(kind, data):
        check = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)

    header = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    body = zlib.compress(bytes([0, grey]))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )
