"""What every page has: one file that opens from disk, with a policy that lets nothing else in."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from stackkit.report.figures import number


def document(template: str, styles: Sequence[str], script: str, **values: Any) -> str:
    """The page of a ``template`` as HTML text that can be written as UTF-8.

    Every word of ``values`` is escaped but for ``Markup``.  The only script and style are the
    package's own, let in by their SHA-256 (W3C Content Security Policy Level 3, section 2.3.1,
    hash-source).
    """
    style, code = "\n".join(_own(name) for name in styles), _own(script)
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; "
        f"script-src '{_hash(code)}'; base-uri 'none'; form-action 'none'"
    )
    own = {"policy": policy, "style": Markup(style), "script": Markup(code)}
    text = _environment().get_template(template).render(**own, **values)
    # File names that are no UTF-8 hold lone surrogates, which no file can hold.
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def data_uri(data: bytes, kind: str) -> str:
    """A picture for the page to hold in itself."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def seconds(value: Any) -> str:
    """A duration in words: seconds, from one minute on minutes and seconds."""
    whole = number(value)
    if whole is None:
        return "unknown"
    if whole < 59.95:
        return f"{whole:.3g} s"
    minutes, rest = divmod(round(whole), 60)
    if minutes >= 60:
        hours, minutes = divmod(minutes, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("stackkit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["seconds"] = seconds
    environment.filters["sentence"] = lambda words: words[:1].upper() + words[1:]
    return environment


def _own(name: str) -> str:
    """The package's own style or script, with the line ends that a browser will hash."""
    text = files("stackkit.report").joinpath("templates", name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
