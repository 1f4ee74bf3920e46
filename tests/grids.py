"""Grids of cases: their corners with every run of the tests, all of them with the slow ones."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

import pytest


def corners(cases: Iterable[Any], often: Collection[Any]) -> list[Any]:
    """The cases for ``pytest.mark.parametrize``; those not in ``often`` are slow ones."""
    listed = list(cases)
    assert all(case in listed for case in often)
    return [
        case if case in often else pytest.param(case, marks=pytest.mark.slow) for case in listed
    ]
