"""What the pages share: how one file opens from disk, under a policy that lets nothing else in."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined


def environment() -> Environment:
    """Templates in which every word of a record is escaped, and a missing one is a fault."""
    made = Environment(
        loader=PackageLoader("stackkit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["sentence"] = lambda words: words[:1].upper() + words[1:]
    return made


def own(*names: str) -> str:
    """The package's own styles or scripts, with the line ends that a browser will hash."""
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
