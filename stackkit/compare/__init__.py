"""The same frames by several methods: a pipeline of its own.

``run`` does all of it; ``yardstick`` is the standard that methods are compared with, ``figures``
measures each; ``places`` cuts out crops, ``advice`` recommends a method, ``files`` writes the
folder.
"""

from stackkit.compare.run import Comparison, chosen, compare

__all__ = ["Comparison", "chosen", "compare"]
