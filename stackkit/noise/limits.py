"""Limits of noise that advice goes by."""

READ_SHARE = 1.15
"""Noise of the sky with read noise over that without, up to which read noise hardly matters.

At three times as much variance from the sky as from reading (common practice) it is 1.155.
"""
