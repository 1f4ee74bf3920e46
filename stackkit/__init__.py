"""From a folder of short raw exposures of the night sky to one clean, linear picture.

>>> import stackkit
>>> result = stackkit.stack(["my_night"])           # doctest: +SKIP
>>> result.stack.value.shape, result.record["reference"]  # doctest: +SKIP
"""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from stackkit.run.jit_cache import keep_compiled

if TYPE_CHECKING:
    from stackkit.pipeline import Options, stack
    from stackkit.results import Result

__version__ = version("stackkit")
__all__ = ["Options", "Result", "__version__", "stack"]

keep_compiled()


def __getattr__(name: str) -> Any:
    """Load the line when it is first asked for: ``--help`` must not wait for it."""
    if name in ("Options", "Result", "stack"):
        from stackkit import pipeline

        return getattr(pipeline, name)
    raise AttributeError(f"module 'stackkit' has no attribute {name!r}")
