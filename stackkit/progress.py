"""How a step tells how far it is."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called with the step's name, how many are done, and how many there are."""
