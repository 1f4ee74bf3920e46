"""The table of a comparison in the terminal."""

from __future__ import annotations

import unicodedata

import pytest
from comparison_record import NAMES, comparison, many, mean, method
from stackkit_cli.comparison_text import terminal_table

from stackkit.report.method_figures import FIGURES


def columns(line):
    """Columns that a line takes (Unicode Standard Annex 11: wide and full-width take two)."""
    return sum(
        2 if unicodedata.east_asian_width(letter) in "WF" else not unicodedata.combining(letter)
        for letter in line
    )


def long_names():
    names = ["x" * 200, "夜空" * 50, "a\nb\x1b[31m", "🔭" * 30]
    return comparison(
        methods=[method(name) for name in names],
        recommendation={"method": names[0], "reasons": [f"As {names[1]} shows."], "as_good": names},
    )


@pytest.mark.parametrize("record", [comparison(), many(), long_names()], ids=["two", "12", "long"])
@pytest.mark.parametrize("width", [10, 40, 57, 80, 100, 200])
def test_no_line_is_wider_than_the_terminal(record, width):
    lines = terminal_table(record, width).split("\n")
    assert max(map(columns, lines)) <= max(width, 40)
    assert all(line == line.rstrip() and (line.isprintable() or not line) for line in lines)


def test_the_example_reads_as_meant():
    assert terminal_table(comparison(), 80).split("\n") == [
        "            noise  star  deeper  trails    hot  cores   out  time  overall",
        "  method        ÷    px     mag       %  noise      %     %     s        %",
        "> by-sample  4.81  2.51   +1.72     0.4  0.003*  −0.2  0.40   3.2      100*",
        "  mean       4.86* 2.51   +1.72     100  0.031    0.0  0.00   1.1*      61",
        "",
        "> recommended, * best of a column, – unknown. More in compare.html: share of √N,",
        "versus one frame, star colours.",
        "",
        "Take by-sample. It leaves no trails. Its noise is next to the least.",
    ]


def test_a_wide_terminal_shows_every_figure():
    head = terminal_table(many(), 160).split("\n")[0]
    assert all(figure.short[0] in head for figure in FIGURES)
    assert "More in" not in terminal_table(many(), 160)


def test_every_method_has_its_line_and_the_recommended_one_is_first():
    lines = terminal_table(many(), 80).split("\n")
    assert [line[2:].split()[0] for line in lines[2:14]] == list(NAMES)
    assert [line[0] for line in lines[2:14]] == [">"] + [" "] * 11


def test_as_good_methods_are_marked_and_named():
    advice = {"method": "by-sample", "reasons": ["So it is."], "as_good": ["mean"]}
    told = terminal_table(comparison(recommendation=advice), 80)
    assert "\n= mean " in told
    assert told.endswith("Take by-sample. So it is.\nEqually good here: mean.")


def test_what_is_missing_is_a_dash():
    figures = dict.fromkeys(figure.key for figure in FIGURES)
    told = terminal_table(comparison(methods=[mean(), method(**figures)]), 80)
    assert told.split("\n")[2].split() == [">", "by-sample", *9 * "–"]


def test_nothing_recommended_is_said():
    told = terminal_table(comparison(recommendation=None), 80)
    assert "recommended" not in told
    assert told.endswith("No method stands out. Look at the pictures in compare.html.")
