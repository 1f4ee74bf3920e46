"""What the sensor itself adds to every frame.

Takes calibrated mosaics; gives the noise of a sample (``noise_model``), hot and dead pixels
(``suspects``) and the pattern that stays while the sky moves (``fixed_pattern``).
"""
