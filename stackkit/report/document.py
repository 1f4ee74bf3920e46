"""What the pages share: one file that opens from disk, with a policy that loads nothing else."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from stackkit.report.method_figures import number


def rendered(template: Template, styles: Sequence[str], script: str | None, **values: Any) -> str:
    """The page of a template as HTML text that can be written as UTF-8.

    All text in ``values`` is escaped except ``Markup``; the only style and script (None: none)
    are the package's own, by their names.
    """
    style, code = own(*styles), own(script) if script else None
    text = template.render(
        policy=policy(style, code), style=Markup(style), script=Markup(code or ""), **values
    )
    # File names that are not UTF-8 contain lone surrogates, which cannot be encoded.
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def environment() -> Environment:
    """Templates in which all text of a record is escaped, and a missing value is an error."""
    made = Environment(
        loader=PackageLoader("stackkit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["sentence"] = lambda words: words[:1].upper() + words[1:]
    made.filters["seconds"] = seconds
    return made


def data_uri(data: bytes, kind: str) -> str:
    """A picture embedded in the page."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def seconds(value: Any) -> str:
    """A duration in words: seconds, minutes and seconds, or hours and minutes."""
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


def own(*names: str) -> str:
    """The package's own styles or scripts, with the line ends that a browser hashes."""
    folder = files("stackkit.report").joinpath("templates")
    text = "".join(folder.joinpath(name).read_text(encoding="utf-8") for name in names)
    return text.replace("\r\n", "\n")


def policy(style: str, script: str | None) -> str:
    """The page's Content-Security-Policy: this style, this script (None: none), pictures within.

    By their SHA-256 (W3C Content Security Policy Level 3, section 2.3.1, hash-source).
    """
    source = f"'{_hash(script)}'" if script is not None else "'none'"
    return (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; "
        f"script-src {source}; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
