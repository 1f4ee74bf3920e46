"""Masters of simulated darks, flats and biases, and the lights they are for."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from stackkit.calibration import mosaic_cache
from stackkit.calibration.frames import above_black
from stackkit.calibration.masters import Master, Setting, make_master
from stackkit.noise.photon_transfer import Noise
from stackkit.raw.decode import Mosaic
from stackkit.session.folder_kinds import Kind
from stackkit.simulate import Night, expose
from stackkit.simulate.camera import pattern_indices
from stackkit.simulate.sensor import bias, dark, flat

SETTING = Setting("Lanternfold Pocket Two", 3200, 8.0, (0, 1, 1, 2))
NIGHT = Night(
    seed=21,
    frames=6,
    width=400,
    height=300,
    focal=270.0,
    cadence=90.0,
    faintest=8.0,
    satellites=0,
    aircraft=0,
    hot_fraction=3e-3,
)
ONES = np.ones((1, 2, 2))


def mosaic(night, codes):
    black = np.full((2, 2), night.black)
    return Mosaic(codes, pattern_indices(night.pattern), black, float(night.white), None)


def adu(night, codes):
    return above_black(mosaic(night, codes))


def master(kind, planes, setting=SETTING, night=NIGHT):
    coding = mosaic_cache.coding_for(night.black, night.white)
    with tempfile.TemporaryDirectory() as folder:
        return make_master(kind, planes, setting, coding, Path(folder))


@lru_cache(maxsize=32)
def master_dark(night, count=12):
    planes = (adu(night, dark(night, k)) for k in range(count))
    return master(Kind.DARK, planes, replace(SETTING, exposure=night.exposure))


@lru_cache(maxsize=32)
def master_flat(night, count):
    return master(Kind.FLAT, (adu(night, flat(night, k)) for k in range(count)))


def master_bias(night, count=16):
    return master(Kind.BIAS, (adu(night, bias(night, k)) for k in range(count)))


@lru_cache(maxsize=8)
def lights(night):
    """The median of the lights at each site, each less its sky's level."""
    planes = [adu(night, expose(night, k).codes) for k in range(night.frames)]
    for plane in planes:
        for y, x in np.ndindex(2, 2):
            plane[y::2, x::2] -= np.nanmedian(plane[y::2, x::2])
    return np.median(planes, axis=0).astype(np.float32)


def true_noise(night):
    """EMVA Standard 1288: variance = signal / gain + read², rounding adds 1/12."""
    return Noise(1 / night.gain, (night.read_noise / night.gain) ** 2 + 1 / 12)


def blank(kind, camera="A", iso=800, exposure=None, count=5, shape=(32, 48)):
    plane = np.zeros(shape, np.float32)
    return Master(kind, plane, plane, count, Setting(camera, iso, exposure, (0, 1, 1, 2)))
