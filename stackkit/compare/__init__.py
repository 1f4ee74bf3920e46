"""The same frames by several methods: a pipeline of its own.

``run`` goes the whole way; ``yardstick`` is what methods are held against, ``figures`` what is said
of each; ``places`` are cut out to look at, ``advice`` says which to take,
``files`` writes the folder.
"""

from stackkit.compare.run import Comparison, chosen, compare

__all__ = ["Comparison", "chosen", "compare"]
