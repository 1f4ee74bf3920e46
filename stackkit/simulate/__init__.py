"""A physical simulator of a night, seeded and reproducible, with known truth.

``night`` has the parameters of the night, ``mishaps`` and ``conditions`` what goes wrong with
single frames, ``sky`` stars and movers, ``camera`` turns light into electrons, ``sensor`` electrons
into codes, ``folder`` writes the files.
"""

from stackkit.simulate.camera import ideal_picture
from stackkit.simulate.folder import Calibration, write_calibration, write_night
from stackkit.simulate.mishaps import Mishap, MishapKind, random_mishaps
from stackkit.simulate.night import Night, frame_lens, frame_matrix
from stackkit.simulate.sensor import Exposure, expose

__all__ = [
    "Calibration",
    "Exposure",
    "Mishap",
    "MishapKind",
    "Night",
    "expose",
    "frame_lens",
    "frame_matrix",
    "ideal_picture",
    "random_mishaps",
    "write_calibration",
    "write_night",
]
