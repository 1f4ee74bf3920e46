"""Whether each frame is used, with what weight, and why its weight is reduced or zero.

Takes star tables, sky levels and alignment; ``photometric`` measures transparency,
``indicators`` deviations from the usual, ``diagnosis`` names the cause, ``grade`` decides.
"""
