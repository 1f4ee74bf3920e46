"""From codes to ADU above black.

Takes raw files, darks, flats and biases; ``masters`` combines the latter, ``apply`` subtracts and
divides, ``load`` does so for every light and keeps the mosaics in ``mosaic_cache``.
"""
