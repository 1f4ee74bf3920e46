"""The figures of a method: heading, unit, meaning and how each is written and judged.

One list for the page and the terminal, so that both agree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from stackkit.schemas.comparison import ComparisonRecord, MethodRecord

NOTHING = "–"
_YARDSTICK = "mean"
"""The method that trails, cores and colours are measured against."""


_Key = Literal[
    "noise_gain",
    "noise_share",
    "width_px",
    "width_ratio",
    "depth_mag",
    "trail_left",
    "hot_left",
    "core_bias",
    "rejected_share",
    "seconds",
    "score",
]


@dataclass(frozen=True)
class Figure:
    """One figure of a method.

    ``value`` is compared, the lower the better (None: nothing to judge); ``text`` is shown;
    ``missing`` explains why there may be nothing to show; ``against_mean`` marks figures measured
    against the plain mean, which is not judged by them.
    """

    key: str
    heading: str
    short: tuple[str, str]
    unit: str
    meaning: str
    missing: str
    text: Callable[[MethodRecord], str | None]
    value: Callable[[MethodRecord], float | None]
    against_mean: bool = False


def number(value: Any) -> float | None:
    """``value`` as a finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def signed(value: float, digits: int) -> str:
    """``value`` with its sign (none for a rounded zero) and a true minus."""
    text = f"{abs(value):.{digits}f}"
    if not float(text):
        return text
    return f"{'−' if value < 0 else '+'}{text}"


def amount(value: float, digits: int) -> str:
    """``value`` with ``digits`` decimals, a true minus, and no minus before a zero."""
    return signed(value, digits).removeprefix("+")


def ordered(record: ComparisonRecord) -> list[MethodRecord]:
    """The methods in order: the recommended one, then by falling score."""
    advice = record["recommendation"]
    chosen = advice["method"] if advice else None

    def place(method: MethodRecord) -> tuple[bool, float]:
        score = number(method["score"])
        return method["name"] != chosen, math.inf if score is None else -score

    return sorted(record["methods"], key=place)


def best(figure: Figure, methods: Sequence[MethodRecord]) -> set[str]:
    """Names of the methods that have the best value, to the digits shown.

    None where all are equal or only one has the figure: there is nothing to choose then.
    """
    judged = [
        (value, figure.text(method), method["name"])
        for method in methods
        if (value := figure.value(method)) is not None
        and not (figure.against_mean and method["name"] == _YARDSTICK)
    ]
    if not judged:
        return set()
    winning = {text for value, text, _ in judged if value == min(judged)[0]}
    names = {name for _, text, name in judged if text in winning}
    return names if len(names) < len(judged) else set()


def shift(method: MethodRecord) -> tuple[float, float] | None:
    """Red and blue over green against the mean's, or None unless both are known."""
    both = method["colour_shift"]
    if both is None:
        return None
    red, blue = number(both[0]), number(both[1])
    return None if red is None or blue is None else (red, blue)


def _text(key: _Key, form: Callable[[float], str]) -> Callable[[MethodRecord], str | None]:
    def write(method: MethodRecord) -> str | None:
        value = number(method[key])
        return None if value is None else form(value)

    return write


def _judge(key: _Key, badness: Callable[[float], float]) -> Callable[[MethodRecord], float | None]:
    def judge(method: MethodRecord) -> float | None:
        value = number(method[key])
        return None if value is None else badness(value)

    return judge


def _more(value: float) -> float:
    return -value


def _less(value: float) -> float:
    return value


def _percent(digits: int) -> Callable[[float], str]:
    return lambda value: amount(100 * value, digits)


def _shift_text(method: MethodRecord) -> str | None:
    both = shift(method)
    return None if both is None else " / ".join(signed(100 * part, 1) for part in both)


def _shift_size(method: MethodRecord) -> float | None:
    both = shift(method)
    return None if both is None else max(abs(part) for part in both)


def _unjudged(_method: MethodRecord) -> None:
    return None


FIGURES = (
    Figure(
        "noise_gain",
        "Noise reduction",
        ("noise", "÷"),
        "times",
        "How many times less noise the sky has than in one frame. More is better: faint detail"
        " rises out of the noise.",
        "not measured",
        _text("noise_gain", lambda v: f"{v:.2f}" if v < 9.995 else f"{v:.1f}"),
        _judge("noise_gain", _more),
    ),
    Figure(
        "noise_share",
        "Share of √N",
        ("of √N", "%"),
        "%",
        "The same, beside what this many frames can give at most without smearing: 100 % is the "
        "square root of their number. A little above means that neighbouring pixels were mixed.",
        "not measured",
        _text("noise_share", _percent(0)),
        _judge("noise_share", _more),
    ),
    Figure(
        "width_px",
        "Star width",
        ("star", "px"),
        "px",
        "FWHM: how wide a typical star is at half its height. Less is sharper.",
        "too few stars",
        _text("width_px", lambda v: f"{v:.2f}"),
        _judge("width_px", _less),
    ),
    Figure(
        "width_ratio",
        "Versus one frame",
        ("versus", "1 fr."),
        "times",
        "The star width divided by that in one frame. 1 is as sharp as one frame; below 1 is "
        "sharper, above 1 softer.",
        "too few stars",
        _text("width_ratio", lambda v: f"{v:.2f}"),
        _judge("width_ratio", _less),
    ),
    Figure(
        "depth_mag",
        "Fainter stars",
        ("deeper", "mag"),
        "mag",
        "How much fainter a star can be than in one frame and still be detected (5 times the"
        " noise). 1 magnitude is 2.5 times fainter, 2 are 6.3 times. More is better.",
        "not measured",
        _text("depth_mag", lambda v: signed(v, 2)),
        _judge("depth_mag", _more),
    ),
    Figure(
        "trail_left",
        "Trails left",
        ("trails", "%"),
        "%",
        "What is left of the trails of satellites and aircraft. 100 % is what a plain mean "
        "leaves, 0 % is none.",
        "no trails found",
        _text("trail_left", lambda v: amount(100 * v, 1 if abs(v) < 0.0995 else 0)),
        _judge("trail_left", abs),
        against_mean=True,
    ),
    Figure(
        "hot_left",
        "Hot pixels left",
        ("hot", "noise"),
        "× noise",
        "How far the tracks of hot pixels rise above the sky, in units of the noise of one frame."
        " Nearest to 0 is best.",
        "none to measure",
        _text("hot_left", lambda v: amount(v, 3)),
        _judge("hot_left", abs),
    ),
    Figure(
        "core_bias",
        "Bright stars",
        ("cores", "%"),
        "%",
        "Light in the middle of bright stars beside that of the plain mean. Below 0 the method has"
        " clipped the stars. Nearest to 0 is best.",
        "no bright stars",
        _text("core_bias", lambda v: signed(100 * v, 1)),
        _judge("core_bias", abs),
        against_mean=True,
    ),
    Figure(
        "colour_shift",
        "Star colours",
        ("red/blue", "%"),
        "% red / % blue",
        "Red and blue of the stars against green, beside the plain mean. Nearest to 0 keeps the "
        "colours.",
        "too few stars",
        _shift_text,
        _shift_size,
        against_mean=True,
    ),
    Figure(
        "rejected_share",
        "Left out",
        ("out", "%"),
        "% of samples",
        "Share of the samples that the method rejected. Neither more nor less is better in itself.",
        "not applicable",
        _text("rejected_share", _percent(2)),
        _unjudged,
    ),
    Figure(
        "seconds",
        "Time",
        ("time", "s"),
        "s",
        "How long this method took after the frames had been read and aligned.",
        "not timed",
        _text("seconds", lambda v: f"{v:.1f}" if v < 100 else f"{v:.0f}"),
        _judge("seconds", _less),
    ),
    Figure(
        "score",
        "Overall score",
        ("overall", "%"),
        "% of the best",
        "Overall score: noise, sharpness and artefacts together, as a share of the best.",
        "not weighed",
        _text("score", _percent(0)),
        _judge("score", _more),
    ),
)
