"""Mathematics of the camera: directions, pixels, rotations and mappings between frames.

Takes and gives arrays: ``lens`` projects directions to pixels and back, ``jacobians`` has the
derivatives.
"""
