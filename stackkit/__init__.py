"""From a folder of short raw exposures of the night sky to one clean, linear picture.

>>> import stackkit
>>> result = stackkit.stack(["my_night"])           # doctest: +SKIP
>>> result.stack.value.shape, result.record["reference"]  # doctest: +SKIP

``stack`` does the whole job.  ``read``, ``calibrate``, ``detect``, ``register`` and ``combine`` are
its stages on plain arrays; ``prepare`` and ``integrate`` split it before the last one.  Everything
is loaded when it is first asked for.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stackkit.compare.run import compare as compare_methods
    from stackkit.errors import InputError, OutputError, StackkitError, UsageError
    from stackkit.geometry.mapping import plane_mapping
    from stackkit.inspect.run import inspect as inspect_files
    from stackkit.integration.methods import METHODS, Samples
    from stackkit.pipeline import Options, Prepared, stack
    from stackkit.results import Result, Stack
    from stackkit.stages import (
        calibrate,
        combine,
        detect,
        integrate,
        prepare,
        read,
        register,
        write,
    )

__version__ = version("stackkit")
__all__ = [
    "METHODS",
    "InputError",
    "Options",
    "OutputError",
    "Prepared",
    "Result",
    "Samples",
    "Stack",
    "StackkitError",
    "UsageError",
    "__version__",
    "calibrate",
    "combine",
    "compare_methods",
    "detect",
    "inspect_files",
    "integrate",
    "plane_mapping",
    "prepare",
    "read",
    "register",
    "stack",
    "write",
]

_STAGES = ("calibrate", "combine", "detect", "integrate", "prepare", "read", "register", "write")
_ERRORS = ("InputError", "OutputError", "StackkitError", "UsageError")
_WHERE = {
    **{name: ("stages", name) for name in _STAGES},
    **{name: ("errors", name) for name in _ERRORS},
    **{name: ("pipeline", name) for name in ("Options", "Prepared", "stack")},
    **{name: ("results", name) for name in ("Result", "Stack")},
    **{name: ("integration.methods", name) for name in ("METHODS", "Samples")},
    "plane_mapping": ("geometry.mapping", "plane_mapping"),
    # Their own names are those of the packages that they are in.
    "compare_methods": ("compare.run", "compare"),
    "inspect_files": ("inspect.run", "inspect"),
}


def __getattr__(name: str) -> Any:
    """Load what is asked for, and no more: ``--help`` must not wait for it."""
    if name not in _WHERE:
        raise AttributeError(f"module 'stackkit' has no attribute {name!r}")
    module, own = _WHERE[name]
    return getattr(import_module(f"stackkit.{module}"), own)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
