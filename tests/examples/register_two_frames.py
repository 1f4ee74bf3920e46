"""Align two raw frames without stacking them: ``python register_two_frames.py a.dng b.dng``."""

import sys

import stackkit

mosaics = [stackkit.read(path) for path in sys.argv[1:3]]
frames = [stackkit.calibrate(mosaic).adu for mosaic in mosaics]
stars = [stackkit.detect(adu, mosaic.pattern) for adu, mosaic in zip(frames, mosaics, strict=True)]
height, width = frames[0].shape
found = stackkit.register(stars, (width, height))
other = 1 - found.reference
middle = [(width - 1) / 2, (height - 1) / 2]
print(f"The middle of frame {found.reference + 1} is at", end=" ")
print(found.mappings[other].from_reference(middle).round(2), f"in frame {other + 1}.")
