"""A comparison of methods as a table for a terminal, and the recommendation in words."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size

from stackkit.report.method_figures import FIGURES, NOTHING, Figure, best, ordered
from stackkit.schemas.comparison import ComparisonRecord, MethodRecord, RecommendationRecord

from .terminal import shown

_NARROWEST = 40
_MOST_NAME = 16
"""Greatest width of a name while further figures could be shown instead."""
_WIDEST_NAME = 40
_GAP = 2
_BY_IMPORTANCE = (
    "noise_gain",
    "trail_left",
    "width_px",
    "score",
    "depth_mag",
    "core_bias",
    "hot_left",
    "rejected_share",
    "seconds",
    "noise_share",
    "colour_shift",
    "width_ratio",
)
"""The figures by importance: the last are dropped first where the terminal is narrow."""

Column = tuple[Figure, list[str]]
"""A figure with two lines of heading and its text for every method."""


def terminal_table(record: ComparisonRecord, width: int) -> str:
    """The figures of every method and the recommendation, no line wider than ``width`` columns.

    At least 40 columns are used.  A wider terminal shows more figures and longer names.
    """
    width = max(width, _NARROWEST)
    methods = ordered(record)
    columns = [_column(figure, methods) for figure in FIGURES]
    names = [shown(method["name"]) for method in methods]
    longest = min(max(cell_len(name) for name in ["method", *names]), _WIDEST_NAME)
    room = width - _GAP - min(longest, _MOST_NAME)
    kept = _that_fit(columns, room)
    spare = room - sum(_wide(column) for column in kept)
    name_width = min(longest, min(longest, _MOST_NAME) + spare)
    lines = [*_table(kept, names, _marks(record, methods), name_width), ""]
    for start, text in _legend(record, columns, kept):
        lines += _wrapped(start, shown(text), width)
    return "\n".join(lines)


def _column(figure: Figure, methods: Sequence[MethodRecord]) -> Column:
    """The column of a figure; ``*`` follows the best values."""
    winners = best(figure, methods)
    texts = []
    for method in methods:
        text = figure.text(method) or NOTHING
        texts.append(text + ("*" if method["name"] in winners else " "))
    return figure, [f"{figure.short[0]} ", f"{figure.short[1]} ", *texts]


def _wide(column: Column) -> int:
    # The last of its columns, for the mark, separates it from the next.
    return 1 + max(cell_len(text) for text in column[1])


def _that_fit(columns: Sequence[Column], room: int) -> list[Column]:
    """As many columns as fit, the most important ones, in the order of the page."""
    taken: set[str] = set()
    for key in _BY_IMPORTANCE:
        column = next(column for column in columns if column[0].key == key)
        if _wide(column) <= room:
            taken.add(key)
            room -= _wide(column)
    return [column for column in columns if column[0].key in taken]


def _marks(record: ComparisonRecord, methods: Sequence[MethodRecord]) -> list[str]:
    advice = record["recommendation"]
    chosen, as_good = (advice["method"], advice["as_good"]) if advice else (None, [])

    def mark(name: str) -> str:
        return "> " if name == chosen else "= " if name in as_good else "  "

    return [mark(method["name"]) for method in methods]


def _table(
    columns: Sequence[Column], names: Sequence[str], marks: Sequence[str], name_width: int
) -> list[str]:
    heads = ["  ", "  ", *marks]
    firsts = ["", "method", *names]
    lines = []
    for number, (head, first) in enumerate(zip(heads, firsts, strict=True)):
        cells = [
            " " * (_wide(column) - cell_len(column[1][number])) + column[1][number]
            for column in columns
        ]
        lines.append((head + _cut(first, name_width) + "".join(cells)).rstrip())
    return lines


def _cut(name: str, width: int) -> str:
    """``name`` in exactly ``width`` columns of the terminal; … where it had to be cut."""
    if cell_len(name) <= width:
        return set_cell_size(name, width)
    return set_cell_size(set_cell_size(name, width - 1).rstrip() + "…", width)


def _wrapped(start: str, text: str, width: int) -> list[str]:
    """Lines of at most ``width`` columns, where a name may contain double-width letters.

    Further lines are indented to the start of ``text``; a word too long for a line is cut.
    """
    indent = " " * len(start)
    lines = [start]
    room = width - len(start)
    for word in text.split():
        piece = word if cell_len(word) <= room else _cut(word, room)
        blank = "" if lines[-1] in (start, indent) else " "
        if cell_len(lines[-1] + blank + piece) > width:
            lines.append(indent)
            blank = ""
        lines[-1] += blank + piece
    return [line.rstrip() for line in lines]


def _legend(
    record: ComparisonRecord, columns: Sequence[Column], kept: Sequence[Column]
) -> list[tuple[str, str]]:
    left_out = [figure.heading for figure, _ in columns if figure not in {f for f, _ in kept}]
    more = (
        f" More in compare.html: {', '.join(name[:1].lower() + name[1:] for name in left_out)}."
        if left_out
        else ""
    )
    advice = record["recommendation"]
    equal = ", = as good" if advice and advice["as_good"] else ""
    chosen = f"> recommended{equal}, " if advice else ""
    lines = [("", f"{chosen}* best of a column, {NOTHING} unknown.{more}"), ("", "")]
    if advice is None:
        return [*lines, ("", "No method stands out. Look at the pictures in compare.html.")]
    lines.append(("Take ", _sentence(advice)))
    if advice["as_good"]:
        lines.append(("", f"Equally good here: {', '.join(advice['as_good'])}."))
    return lines


def _sentence(advice: RecommendationRecord) -> str:
    return " ".join([f"{advice['method']}.", *advice["reasons"]])
