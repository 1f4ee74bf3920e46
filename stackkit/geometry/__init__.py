"""Mathematics of the camera: directions, pixels, rotations and mappings between frames.

Takes and gives arrays: ``lens`` projects directions to pixels and back, ``rotation`` turns them,
``mapping`` leads from frame to frame, ``jacobians`` has the derivatives.
"""
