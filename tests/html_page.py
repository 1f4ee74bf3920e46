"""Pages as a parser sees them, and what must hold for each of ours."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser

VOID = {"meta", "link", "img", "input", "br"}
"""Elements without an end (HTML Living Standard, 13.1.2)."""


class Page(HTMLParser):
    """The elements of a page, and the text of its style and script."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.open, self.inline, self.words = [], [], {}, []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        assert len(dict(attrs)) == len(attrs), f"an attribute twice in {tag}"
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] in ("style", "script"):
            self.inline.setdefault(self.open[-1], []).append(data)
        else:
            self.words.append(data)

    def values(self, name):
        return [attrs[name] for _, attrs in self.elements if name in attrs]

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def holds_its_policy(page):
    """Style and script are let in by their SHA-256 (W3C CSP Level 3, 2.3.1), and nothing else."""
    (policy,) = [
        attrs["content"]
        for _, attrs in page.elements
        if attrs.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    assert rules["img-src"] == "data:"
    for tag in ("style", "script"):
        assert len([1 for element, _ in page.elements if element == tag]) == 1
        digest = hashlib.sha256("".join(page.inline[tag]).encode()).digest()
        assert rules[f"{tag}-src"] == f"'sha256-{base64.b64encode(digest).decode()}'"


def fetches_nothing(page):
    for source in page.values("src"):
        assert re.match("data:image/(png|webp);base64,", source)
    for link in page.values("href"):
        assert link.startswith("#") or link == "data:,"
    for _, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
        assert not attributes.keys() & {"srcset", "action", "formaction", "poster", "xlink:href"}
    assert "url(" not in "".join(page.inline["style"])
    assert "@import" not in "".join(page.inline["style"])
    assert not re.search(r"https?:|fetch|XMLHttp|import\(|eval", "".join(page.inline["script"]))


def holds_together(page):
    """Elements are closed, ids are there once, and whatever is referred to is there."""
    assert page.open == []
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    referred = page.values("for") + [link[1:] for link in page.values("href") if link[0] == "#"]
    for name in ("aria-labelledby", "aria-describedby"):
        referred += " ".join(page.values(name)).split()
    assert set(referred) <= set(ids)
    assert all(attrs.get("alt") is not None for tag, attrs in page.elements if tag == "img")
