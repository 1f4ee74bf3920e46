"""A record of a run as the output rooms get it, for their tests."""

from __future__ import annotations

from typing import Any

import numpy as np

LENS = {"f": 1350.0, "cx": 999.5, "cy": 749.5, "k1": -0.06, "k2": 0.02, "k3": 0.0, "p1": 0.0}


PROJECTED = {"projection": "rectilinear"}


def sample_lens() -> dict[str, Any]:
    return {**LENS, "p2": 0.0, "r_max": np.inf, "air": 0.0, "zenith": [0.0, -1.0, 0.0], **PROJECTED}


def light(name: str, time: str | None, **changes: Any) -> dict[str, Any]:
    """A used light of 8 s; ``time`` is its middle."""
    return {
        "file": name,
        "role": "light",
        "used": True,
        "reason": "",
        "cause": "",
        "session": 2,
        "time": time,
        "time_source": "EXIF" if time else None,
        "exposure_s": 8.0,
        "iso": 3200,
        "stars": np.int64(412),
        "fwhm_px": np.float32(2.5),
        "weight": 1.0,
        "matched": 301,
        "residual_px": 0.07,
        "chance": 1e-30,
        "zones_px": [0.06, 0.07, np.nan],
        "turn_deg": 0.0,
        "transparency": 1.0,
        "light": 1.0,
        "elongation": 0.01,
        "clipped": 0.0001,
        "worth": 1.0,
        "sky_adu": np.array([20.5, 40.0, 26.0]),
        "salvaged": None,
        "sha256": "0f" * 32,
        "picture": None,
        "mapping": {
            "model": "camera",
            "matrix": np.eye(3),
            "reference_lens": sample_lens(),
            "frame_lens": sample_lens(),
        },
        **changes,
    }


def left_out(name: str, reason: str) -> dict[str, Any]:
    """A file that is no light: nothing is known of it."""
    frame = dict.fromkeys(light(name, None))
    return {
        **frame,
        "file": name,
        "role": "other",
        "used": False,
        "reason": reason,
        "cause": "",
        "weight": 0.0,
    }


def sample_record() -> dict[str, Any]:
    """Three used frames of 8 s, 20 s apart, one bad light, one other file."""
    return {
        "schema": "stackkit-run/5",
        "stackkit": "0.1.0",
        "versions": {"python": "3.12.1", "numpy": "2.1.0", "machine": "Linux x86_64"},
        "options": {
            "paths": ["my night"],
            "method": "clip",
            "masters": [],
            "keep_place": False,
            "sampling": 1,
            "session": None,
        },
        "reference": "b.dng",
        "frames": [
            light("a.dng", "2026-10-13T20:41:11.250000+00:00", turn_deg=-0.08, weight=1.0),
            light("b.dng", "2026-10-13T20:41:31.250000+00:00"),
            light(
                "c.dng",
                "2026-10-13T20:41:51.250000+00:00",
                used=False,
                reason="out of focus: stars 4.0 times as wide as usual",
                cause="out of focus",
                weight=0.0,
                fwhm_px=np.nan,
                mapping=None,
            ),
            light("d.dng", "2026-10-13T20:42:11.250400+00:00", turn_deg=0.17, weight=2.0),
            left_out("notes.txt", "not a raw file"),
        ],
        "sessions": [
            {
                "number": 1,
                "frames": 14,
                "first": "dusk/a.dng",
                "last": "dusk/n.dng",
                "begin": "2026-10-13T18:10:11.250000Z",
                "end": "2026-10-13T18:15:11.250000Z",
                "camera": "Lanternfold Pocket Two",
                "exposures_s": [4.0, 8.0],
                "chosen": False,
                "why": "another part of the sky",
            },
            {
                "number": 2,
                "frames": 4,
                "first": "a.dng",
                "last": "d.dng",
                "begin": "2026-10-13T20:41:11.250000Z",
                "end": "2026-10-13T20:42:11.250400Z",
                "camera": "Lanternfold Pocket Two",
                "exposures_s": [8.0],
                "chosen": True,
                "why": "",
            },
        ],
        "camera": {
            "name": "Lanternfold Pocket Two",
            "pattern": "RGGB",
            "black": [256.0] * 4,
            "white": 4095,
            "balance": (1.92, 1.0, 1.52),
            "orientation": 6,
            "focal_mm": 4.7,
            "focal_35mm": 23.4,
        },
        "calibration": {
            "form": "raw mosaic",
            "masters": ["The flat (12 frames) evens the field."],
            "files": [{"file": "flats/flat.dng", "sha256": "e1" * 32}],
            "opcodes": [{"list": 2, "name": "GainMap", "what": "applied", "lacking": False}],
            "remarks": [],
            "noise": {
                "gain_e_adu": 1.6,
                "gain_error_e_adu": 0.01,
                "read_noise_e": 2.2,
                "source": "measured from the frames",
                "denoised": False,
            },
            "banding_adu": 0.0,
        },
        "place": None,
        "geometry": {
            "lens": sample_lens(),
            "lens_sigma": {
                **dict.fromkeys(("k3", "p1", "p2"), 0.0),
                **{"f": 1.4, "cx": 0.5, "cy": 0.6, "k1": 0.001, "k2": 0.002},
                **{"zenith_deg": 1.5, "air": 2e-5},
            },
            "field_deg": (73.1, 58.1),
            "axis": {
                "direction": [0.1, -0.6, 0.79],
                "sigma_deg": 0.02,
                "pole": None,
                "pole_px": None,
                "latitude_deg": 47.2,
                "latitude_sigma_deg": 1.5,
            },
            "turn_deg": 0.25,
            "rate_arcsec_s": 15.04,
            "rate_sigma_arcsec_s": 0.01,
            "clock": {"trusted": True, "scatter_s": 0.1},
            "sway_px": 0.1,
            "pushes": [],
            "residual_px": 0.07,
            "zones_px": [0.06, 0.07, 0.08],
            "uncertainty_px": [0.003, 0.01],
            "still": False,
            "residual_field": {
                "columns": 4,
                "rows": 3,
                "px": [[0.01 * k, -0.004] if k else None for k in range(12)],
            },
        },
        "integration": {
            "method": "clip",
            "frames": 3,
            "defects": 1200,
            "pattern": False,
            "rejected_share": 0.003,
            "noise_frame_adu": [4.0, 5.0, 4.5],
            "noise_stack_adu": [2.4, 2.9, np.nan],
            "noise_gain": 1.7,
            "noise_by_frames": [
                {"frames": 1, "noise_gain": 1.0},
                {"frames": 2, "noise_gain": 1.4},
                {"frames": 3, "noise_gain": None},
            ],
            "trails": [
                {
                    "frame": "IMG_2.dng",
                    "start": (10.0, -3.0),
                    "end": [700.5, 1502.0],
                    "width_px": 8.0,
                }
            ],
            "star_gain": 1.65,
            "sampling": 1,
            "clip_adu": 3600.0,
            "coverage": {"columns": 4, "rows": 3, "frames": [1.5, *[3.0] * 10, 2.25]},
            "faintest": {"frame_adu": 420.0, "stack_adu": 244.0, "gained_mag": 0.59},
        },
        "colour": {
            "white": "asshot",
            "white_words": "as shot",
            "neutral": [0.52, 1.0, 0.66],
            "multipliers": (1.92, 1.0, 1.52),
            "kelvin": 5300.0,
            "space": "sRGB",
            "camera": {
                "white_xy": (0.337, 0.35),
                "xyz_to_camera": np.eye(3),
                "balanced_to_xyz_d50": np.eye(3),
                "illuminants_k": [6504.0],
                "forward": False,
            },
            "balanced_to_space": np.eye(3),
            "assumed": False,
            "full_adu": 3839.0,
            "as_shot": [0.52, 1.0, 0.66],
            "stars": None,
        },
        "gradient": {
            "strength": 1.8,
            "towards_deg": 130.0,
            "sky_adu": [20.0, 40.0, 30.0],
            "map": [[0.8, 1.0], [1.0, 1.4]],
        },
        "editing": {
            "bits": 32,
            "pedestal": 2.0**-12,
            "below_zero_share": 0.0,
            "full_scale": 1.92,
            "gradient_removed": False,
        },
        "output": {
            "folder": "out",
            "files": {"fits": "stack.fits", "tiff": "stack.tif", "preview": "preview.png"},
            "width": 2000,
            "height": 1500,
        },
        "story": [
            {
                "time": "2026-10-13T20:41:51.250000Z",
                "first": "c.dng",
                "last": "c.dng",
                "frames": 1,
                "text": "out of focus in c.dng, stars 4.0 times as wide",
            }
        ],
        "advice": ["Focus was lost: set it by hand on a bright star, and lock it."],
        "warnings": ["Only three frames were used: the noise falls little."],
    }
