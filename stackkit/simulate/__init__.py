"""A physical simulator of a night, seeded and reproducible, that knows the answer.

``night`` holds what the night is like, ``sky`` what is up there, ``camera`` how it becomes
samples, ``folder`` the files.
"""

from stackkit.simulate.camera import Exposure, expose, ideal_picture
from stackkit.simulate.folder import write_night
from stackkit.simulate.night import Night, frame_lens, frame_matrix

__all__ = [
    "Exposure",
    "Night",
    "expose",
    "frame_lens",
    "frame_matrix",
    "ideal_picture",
    "write_night",
]
