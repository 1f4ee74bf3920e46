"""colour-science and colour-hdri as the colour tests take them."""

from __future__ import annotations

import sys
import warnings

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # plotting that nobody needs is not installed
    import colour
    import colour_hdri

# In place of what it plots with it leaves hollow modules, at which astropy stumbles.
for _name in [name for name, module in sys.modules.items() if name.startswith("matplotlib")]:
    if getattr(sys.modules[_name], "__spec__", None) is None:
        del sys.modules[_name]

__all__ = ["colour", "colour_hdri"]
