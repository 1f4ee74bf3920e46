"""All frames onto one reference frame.

Takes star tables; ``pairing`` and ``matching`` find which star is which, ``bundle`` solves lens and
rotations, ``register`` goes the whole way.  Gives a mapping for each frame and its uncertainty.
"""
