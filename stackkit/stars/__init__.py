"""Stars on single frames and on finished pictures.

Takes a calibrated mosaic; ``detect`` gives a table of stars, ``shapes`` the frame's star shapes,
``measure`` does both for every light; ``photometry`` measures known places.
"""
