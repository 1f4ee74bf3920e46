"""Outlier rejection: which samples are left out of the picture.

Takes each frame and the first stack; ``outliers`` compares every sample with it, ``trails`` finds
and cuts satellites and aircraft along their whole length.
"""
