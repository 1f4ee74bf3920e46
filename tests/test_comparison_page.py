"""The page of a comparison: what it lets in, what it says, and that it holds together."""

from __future__ import annotations

import base64
import copy
import fnmatch
import itertools
import math
import re
import tomllib
from pathlib import Path

import pytest
from comparison_record import NAMES, comparison, crop, many, mean, method, pictures
from html_page import Page, fetches_nothing, holds_its_policy, holds_together
from jsonschema import Draft202012Validator, ValidationError

from stackkit.record.file import plain
from stackkit.report import page_of_comparison
from stackkit.report.chart import chart, gain_of_twice, verdict
from stackkit.report.method_figures import FIGURES, best
from stackkit.schemas.comparison import ComparisonRecord
from stackkit.schemas.fields import schema_of

ROOT = Path(__file__).parent.parent
VALIDATOR = Draft202012Validator(schema_of(ComparisonRecord))
FIGURE = {figure.key: figure for figure in FIGURES}
NULLED = (
    "noise_gain", "noise_share", "width_px", "width_ratio", "depth_mag", "trail_left", "hot_left",
    "core_bias", "colour_shift", "rejected_share", "seconds", "score",
)  # fmt: skip
HOSTILE = (
    "<script>alert(1)</script>",
    "\"'><img src=x onerror=alert(1)>",
    "🔭🌌 ночь 夜",
    "x" * 200,
    "</style></title>&amp;{{ 7*7 }}",
    "https://example.org/a.js",
)


def rendered(record):
    return page_of_comparison(record, pictures(record))


def hostile():
    methods = [method(name, purpose=name, parameters={name: name}) for name in HOSTILE]
    return comparison(
        version=HOSTILE[0],
        made=HOSTILE[0],
        frames={**comparison()["frames"], "reference": HOSTILE[1]},
        camera={"make": HOSTILE[0], "model": HOSTILE[1]},
        methods=methods,
        recommendation={"method": HOSTILE[0], "reasons": [HOSTILE[1]], "as_good": [HOSTILE[3]]},
        crops=[crop(methods=HOSTILE, title=HOSTILE[0], note=HOSTILE[1])],
    )


def nulls():
    return comparison(
        frames={"given": 3, "used": 3, "reference": None, "exposure_s": None, "total_s": None},
        camera=None,
        methods=[method(name, **dict.fromkeys(NULLED)) for name in ("by-sample", "mean")],
        convergence=[{"frames": 1, "noise_gain": None}, {"frames": 2, "noise_gain": None}],
        timing={"shared_s": None, "all_s": None},
    )


RECORDS = {
    "example": comparison(),
    "hostile": hostile(),
    "nulls": nulls(),
    "half a colour": comparison(methods=[mean(), method(colour_shift=[0.1, None])]),
    "nameless camera": comparison(camera={"make": None, "model": None}),
    "one method": comparison(methods=[method()], crops=[crop(methods=["by-sample"])]),
    "twelve methods": many(),
    "no crops": comparison(crops=[]),
    "no note": comparison(crops=[crop(note=None)]),
    "no pictures": comparison(crops=[crop(methods=())]),
    "nothing recommended": comparison(recommendation=None),
    "no convergence": comparison(convergence=[]),
}
each_record = pytest.mark.parametrize("record", RECORDS.values(), ids=RECORDS)


def test_the_schema_is_one():
    Draft202012Validator.check_schema(schema_of(ComparisonRecord))


@each_record
def test_records_follow_the_schema(record):
    VALIDATOR.validate(plain(record))


@pytest.mark.parametrize(
    "change",
    [
        lambda record: record.pop("timing"),
        lambda record: record["methods"][0].pop("score"),
        lambda record: record["methods"][0].update(noise_gain="4.8"),
        lambda record: record["methods"][0].update(colour_shift=[0.1]),
        lambda record: record["methods"][0].update(rejected_share=1.5),
        lambda record: record.update(methods=[]),
        lambda record: record["crops"][0].update(place="moon"),
        lambda record: record.update(format="stackkit-compare/2"),
        lambda record: record.update(more=1),
    ],
)
def test_what_is_no_record_is_refused(change):
    record = copy.deepcopy(comparison())
    change(record)
    with pytest.raises(ValidationError):
        VALIDATOR.validate(record)


@each_record
def test_the_policy_names_the_style_and_the_script_by_their_hash(record):
    holds_its_policy(Page(rendered(record)))


@each_record
def test_nothing_is_fetched_and_nothing_runs_but_the_script(record):
    fetches_nothing(Page(rendered(record)))


@each_record
def test_the_page_holds_together(record):
    holds_together(Page(rendered(record)))


def test_the_script_finds_what_it_asks_for():
    page = Page(rendered(many()))
    asked = set(re.findall(r'by\("([^"]+)"\)', "".join(page.inline["script"])))
    assert len(asked) > 10
    assert asked <= set(page.values("id"))


def test_hostile_names_stay_words():
    text = rendered(hostile())
    page = Page(text)
    assert "<script>alert" not in text
    assert {tag for tag, _ in page.elements} <= {tag for tag, _ in Page(rendered(many())).elements}
    for name in HOSTILE:
        assert " ".join(name.split()) in page.text
        assert name in page.values("data-name")


def test_a_name_that_is_no_utf_8_can_be_written():
    frames = {**comparison()["frames"], "reference": "IMG\udc80.dng"}
    text = rendered(comparison(frames=frames))
    assert "IMG\\udc80.dng" in text
    assert text.encode("utf-8")


def test_pictures_are_those_that_were_given():
    record = many()
    given = pictures(record)
    sources = Page(page_of_comparison(record, given)).values("src")
    assert [base64.b64decode(source.split(",")[1]) for source in sources] == list(given.values())


def test_a_missing_picture_is_told():
    record = comparison()
    given = pictures(record)
    given.popitem()
    page = Page(page_of_comparison(record, given))
    assert len(page.values("src")) == 1
    assert "The picture is missing." in page.text


def test_missing_figures_come_with_a_word_why():
    page = Page(rendered(nulls()))
    assert page.text.count("–") >= 2 * len(FIGURES)
    for words in ("no trails found", "not applicable", "too few stars", "too few points"):
        assert words in page.text
    assert "None" not in page.text
    assert "nan" not in page.text.lower().split()


def test_no_number_is_no_figure():
    row = method(noise_gain=math.nan, width_px=math.inf)
    assert FIGURE["noise_gain"].text(row) is None
    assert FIGURE["width_px"].text(row) is None


def test_every_figure_of_the_record_is_told():
    required = set(schema_of(ComparisonRecord)["$defs"]["MethodRecord"]["required"])
    assert required - {"name", "purpose", "parameters"} == set(FIGURE)


def test_the_recommended_method_is_first_and_called_so():
    page = Page(rendered(comparison()))
    assert page.text.index("What to use by-sample") < page.text.index("The figures")
    rows = [attrs for tag, attrs in page.elements if tag == "tr" and attrs.get("role") == "row"]
    assert [row.get("class") for row in rows] == [None, "recommended", None]
    assert "by-sample recommended" in page.text


def test_the_best_are_marked_as_far_as_written():
    rows = [mean(), method(noise_gain=4.861), method("median", noise_gain=3.9)]
    assert best(FIGURE["noise_gain"], rows) == {"mean", "by-sample"}
    assert best(FIGURE["trail_left"], rows) == set()  # the two others leave as much
    rows[2].update(trail_left=0.05, core_bias=-0.01)
    assert best(FIGURE["trail_left"], rows) == {"by-sample"}
    assert best(FIGURE["core_bias"], rows) == {"by-sample"}  # the mean is its own yardstick
    assert best(FIGURE["rejected_share"], rows) == set()
    assert best(FIGURE["noise_gain"], rows[:1]) == set()


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("noise_gain", 4.814, "4.81"),
        ("noise_gain", 12.34, "12.3"),
        ("noise_share", 0.982, "98"),
        ("trail_left", 0.004, "0.4"),
        ("trail_left", 1.0, "100"),
        ("trail_left", -0.0001, "0.0"),
        ("hot_left", -0.0312, "−0.031"),
        ("core_bias", -0.002, "−0.2"),
        ("core_bias", 0.0, "0.0"),
        ("colour_shift", [0.001, -0.002], "+0.1 / −0.2"),
        ("colour_shift", [0.001, None], None),
        ("rejected_share", 0.004, "0.40"),
        ("depth_mag", 1.72, "+1.72"),
    ],
)
def test_figures_are_written_in_their_units(key, value, text):
    assert FIGURE[key].text(method(**{key: value})) == text


def test_the_chart_is_straight_in_logarithms():
    # √N has the slope 1/2 in logarithms, wherever it starts; each doubling is one step.
    drawn = str(chart([(n, math.sqrt(n)) for n in (1, 2, 4, 8, 16)]))
    dots = [
        (float(x), float(y))
        for x, y in re.findall(r'class="dot" cx="([\d.]+)" cy="([\d.]+)"', drawn)
    ]
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(dots)]
    for across, up in steps:
        assert across == pytest.approx(steps[0][0], abs=0.11)
        assert up == pytest.approx(steps[0][1], abs=0.11)
        assert across > 0 > up
    ends = [
        float(part)
        for part in re.search(r'class="root" d="M(\S+) (\S+)L(\S+) (\S+)"', drawn).groups()
    ]
    assert ends == pytest.approx([*dots[0], *dots[-1]], abs=0.11)


@pytest.mark.parametrize("most", [2, 3, 24, 1000])
def test_the_chart_stays_within_its_frame(most):
    drawn = str(chart([(1, 0.7), (most, 1.3 * math.sqrt(most))]))
    places = re.findall(r'(?:x|cx)="([\d.-]+)" (?:y|cy)="([\d.-]+)"', drawn)
    assert all(0 <= float(x) <= 360 and 0 <= float(y) <= 288 for x, y in places)
    assert drawn.count('class="tick mid"') >= 2


@pytest.mark.parametrize(
    ("stays", "words"),
    [(0.0, "follow the line"), (1 / 48, "bend away"), (1 / 4, "have flattened")],
)
def test_the_verdict_foretells_what_twice_the_frames_would_gain(stays, words):
    # Independent noise falls as 1/N in variance, a common part stays (common knowledge).
    def gain(frames):
        return (1 / frames + stays) ** -0.5

    measured = [(n, gain(n)) for n in (1, 2, 4, 8, 12, 24)]
    assert gain_of_twice(measured) == pytest.approx(gain(48) / gain(24), rel=1e-6)
    assert words in verdict(measured)


def test_noise_that_grows_is_no_fault():
    assert gain_of_twice([(1, 1.0), (2, 0.9)]) == pytest.approx(1.0)
    assert "flattened" in verdict([(12, 3.0), (24, 2.5)])


def contrast(one, other):
    """Contrast of two #rrggbb colours (W3C WCAG 2.2, relative luminance and contrast ratio)."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        red, green, blue = (
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def red_only(colour):
    return f"{colour[:3]}0000"


def test_all_writing_can_be_read_on_its_ground():
    # WCAG 2.2, 1.4.3: at least 4.5, in daylight, in the dark, and in red light.
    style = "".join(Page(rendered(comparison())).inline["style"])
    sets = [
        {name: re.sub("^#(.)(.)(.)$", r"#\1\1\2\2\3\3", value) for name, value in found}
        for block in re.findall(r":root[^{]*\{([^}]*)\}", style)
        if len(found := re.findall(r"--(\w+): (#\w+);", block)) > 5
    ]
    assert len(sets) == 3
    sets[2] = {name: red_only(value) for name, value in sets[2].items()}
    for colours in sets:
        for ground in ("ground", "raised"):
            for ink in ("ink", "soft", "strong", "mark"):
                assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground, colours)


def test_the_page_s_parts_are_installed():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    setuptools = project["tool"]["setuptools"]
    assert "stackkit.report" in setuptools["packages"]
    for part in (ROOT / "stackkit/report/templates").iterdir():
        name = part.relative_to(ROOT / "stackkit").as_posix()
        assert any(fnmatch.fnmatch(name, glob) for glob in setuptools["package-data"]["stackkit"])
    assert any(need.startswith("jinja2") for need in project["project"]["dependencies"])


def test_twelve_methods_are_all_there():
    page = Page(rendered(many()))
    for side in ("left", "right"):
        assert side in page.values("id")
    assert page.values("data-name") == 2 * list(NAMES)
    assert len(page.values("src")) == 60
