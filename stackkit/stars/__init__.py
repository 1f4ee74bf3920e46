"""Stars on single frames and on finished pictures.

Takes a calibrated mosaic; ``detect`` gives a table of stars, ``shapes`` what their shapes say of
the frame, ``measure`` does so for every light; ``photometry`` measures known places.
"""
