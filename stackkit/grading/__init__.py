"""Whether each frame is used, with what weight, and why it counts less or not at all.

Takes star tables, sky levels and alignment; ``photometric`` measures transparency,
``indicators`` what stands out, ``diagnosis`` names the cause, ``grade`` decides.
"""
