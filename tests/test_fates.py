"""How the summary tells of frames left out, or counted less: by cause, not one line a frame."""

from __future__ import annotations

from sample_record import left_out, light
from stackkit_cli.fates import fates


def row(number, cause="", used=True, **changes):
    reason = f"{cause}: frame {number}" if cause else ""
    settings = {"used": used, "cause": cause, "reason": reason, "worth": 1.0, **changes}
    return light(f"IMG_{number}.dng", None, **settings)


def said(*rows):
    return ["".join(line) for line in fates(list(rows))]


def test_nothing_is_said_of_frames_that_count_in_full():
    assert said(row(1), row(2)) == []


def test_a_frame_alone_tells_its_own_reason():
    text = said(row(1), row(2, "out of focus", used=False), row(3))
    assert text == ["", "Not used:", "  IMG_2.dng: out of focus: frame 2"]


def test_frames_that_fared_alike_share_a_line():
    clouds = [row(k, "cloud", used=False, light=0.04 * (k - 1)) for k in (2, 3, 4)]
    apart = row(7, "cloud", used=False, light=0.02)
    text = said(row(1), *clouds, row(5), row(6), apart)
    assert text[2:] == [
        "  IMG_2.dng to IMG_4.dng, IMG_7.dng (4 files): cloud, 88 to 98 % of the light lost"
    ]


def test_frames_that_count_less_tell_how_much():
    less = [row(k, "haze", light=0.7, worth=0.1 * k) for k in (4, 5)]
    text = said(row(1), *less)
    assert text == [
        "",
        "Reduced weight:",
        "  IMG_4.dng and IMG_5.dng: haze, 30 % of the light lost, weight 0.40 to 0.50",
    ]


def test_other_files_are_grouped_by_their_reason():
    files = [left_out(name, "not a raw file") for name in ("a.txt", "b.txt", "c.txt")]
    assert said(row(1), *files)[2:] == ["  a.txt to c.txt (3 files): not a raw file"]


def test_frames_come_before_other_files():
    text = said(left_out("a.txt", "not a raw file"), row(1), row(2, "shaken", used=False))
    assert text[2:] == ["  IMG_2.dng: shaken: frame 2", "  a.txt: not a raw file"]


def test_what_is_long_is_cut_short():
    rows = [row(k, "cloud", used=False, light=0.001 * k) for k in range(0, 20, 2)]
    spread = [one for k in range(20) for one in (rows[k // 2] if k % 2 == 0 else row(k),)]
    (line,) = said(*spread)[2:]
    assert "and 6 more (10 files): cloud" in line
    others = [left_out(f"{k}.txt", f"reason {k}") for k in range(15)]
    assert said(*others)[-1] == "  and 3 more, listed in run.json"
