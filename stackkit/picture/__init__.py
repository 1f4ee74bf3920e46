"""Pictures of the finished stack and of single frames, to edit or to look at.

Takes a ``Stack``; ``colour`` converts to a standard linear colour space, ``gradient`` measures the
light-pollution gradient, ``edit`` puts both together, ``thumbnails`` shows the frames.
"""
