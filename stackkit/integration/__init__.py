"""From aligned frames to one picture with variance and coverage.

Takes placed frames; ``passes`` goes the whole way: a first stack, ``rejection`` of the samples that
disagree with it, and the ``weighted_sum`` of the others, or one of the ``methods``.
"""
