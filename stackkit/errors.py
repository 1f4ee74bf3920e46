"""The faults a person can meet, each with a sentence that says what to do."""

from __future__ import annotations


class StackkitError(Exception):
    """Something about the data or the disk that ends the run; the text is for the person."""


class InputError(StackkitError):
    """The frames cannot be found, read or used."""


class OutputError(StackkitError):
    """A result cannot be written."""


class UsageError(StackkitError):
    """The command was asked for something it cannot do as asked."""
