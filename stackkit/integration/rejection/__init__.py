"""Which samples do not belong in the picture.

Takes each frame and the first stack; ``outliers`` holds every sample against it, ``trails`` finds
and cuts satellites and aircraft along their whole length.
"""
