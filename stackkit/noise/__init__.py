"""The variance of a sample: photon transfer from the night's own frames.

Takes calibrated mosaics; ``blocks`` measures small blocks of pairs of frames, ``photon_transfer``
fits gain and read noise to them.
"""
