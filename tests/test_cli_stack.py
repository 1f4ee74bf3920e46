"""``stackkit stack`` from outside: files, words, exit statuses, wrong usage."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from command_line import (
    PROCESS,
    RESULTS,
    Begun,
    contents,
    fault,
    good,
    names,
    record_of,
    run,
    simulated,
    three_frames,
)
from scipy.ndimage import maximum_filter

import stackkit
from stackkit.run.files import FILES


@pytest.fixture
def night(small_night: Path, tmp_path: Path) -> Path:
    return three_frames(small_night, tmp_path / "night")


@pytest.fixture(scope="module")
def result(small_night: Path, tmp_path_factory: pytest.TempPathFactory, begun: Begun) -> Path:
    """The results of the small night."""
    folder = begun(small_night, tmp_path_factory.mktemp("result") / "out")
    good("stack", small_night, "--out", folder)
    return folder


# Results


def test_four_files_and_a_summary_on_standard_output(
    small_night: Path, tmp_path: Path, begun: Begun
) -> None:
    out = begun(small_night, tmp_path / "new" / "result")
    text = good("stack", small_night, "--out", out)
    assert names(out) == RESULTS
    assert all(name in text for name in RESULTS)
    assert text.startswith("6 of 6 frames used: 48 s total exposure.\n")
    assert "Sky turned    0.4" in text
    assert "times less than in one frame" in text
    assert "  truth.json: a text file, not a raw picture\n" in text
    assert f"\nWritten to {out}:\n" in text
    assert max(map(len, text.replace(str(out), "").splitlines())) <= 80


def test_the_record_lists_every_file_in_time_order(result: Path) -> None:
    record = record_of(result)
    assert record["schema"] == "stackkit-run/5"
    assert record["stackkit"] == stackkit.__version__
    assert record["options"]["method"] == "by-sample"
    rows = record["frames"]
    assert [row["file"] for row in rows] == [
        *(f"night_{k:04d}.dng" for k in range(1, 7)),
        "truth.json",
    ]
    times = [row["time"] for row in rows[:6]]
    assert times == sorted(times)
    assert [row["used"] for row in rows] == [True] * 6 + [False]
    assert record["reference"] in [row["file"] for row in rows[:6]]
    assert record["output"]["files"] == FILES
    assert (record["output"]["width"], record["output"]["height"]) == (320, 240)
    assert record["integration"]["frames"] == 6


def test_the_facts_in_the_fits_header(result: Path) -> None:
    with fits.open(result / "stack.fits") as hdus:
        hdus.verify("exception")
        header = hdus[0].header
        names_of = [hdu.name for hdu in hdus]
        value, coverage = hdus[0].data, hdus["COVERAGE"].data
        variance, table = hdus["VARIANCE"].data, hdus["FRAMES"].data
    assert names_of == ["PRIMARY", "VARIANCE", "COVERAGE", "FRAMES"]
    assert value.shape == variance.shape == (3, 240, 320)
    assert value.dtype == np.dtype(">f4")
    # The simulator's defaults: 8 s every 20 s from 20:41:07.25 by the invented camera.
    said = {
        "DATE-OBS": "2026-10-13T20:41:07.250",
        "DATE-BEG": "2026-10-13T20:41:07.250",
        "DATE-END": "2026-10-13T20:42:55.250",
        "TIMESYS": "UTC",
        "XPOSURE": 48.0,
        "EXPTIME": 8.0,
        "TELAPSE": 108.0,
        "INSTRUME": "Lanternfold Pocket Two",
        "NFRAMES": 6,
        "BUNIT": "adu",
    }
    assert {key: header[key] for key in said} == said
    assert coverage.max() == 6
    assert np.isfinite(value[:, coverage > 0]).all()
    assert (variance[:, coverage > 0] > 0).all()
    assert list(table["FILE"][:2]) == ["night_0001.dng", "night_0002.dng"]
    assert list(table["USED"]) == [True] * 6 + [False]


def test_the_tiff_is_the_fits_developed(result: Path) -> None:
    value = fits.getdata(result / "stack.fits")
    # OpenCV gives blue, green, red.
    picture = cv2.imread(str(result / "stack.tif"), cv2.IMREAD_UNCHANGED)[..., ::-1]
    assert picture.dtype == np.float32
    record = record_of(result)
    colour, editing = record["colour"], record["editing"]
    # The simulator's camera: neutral 0.52, 1, 0.66 under D55; 3839 ADU from black to white.
    assert colour["neutral"] == pytest.approx((0.52, 1.0, 0.66), rel=1e-4)
    assert colour["kelvin"] == pytest.approx(5503, abs=10)
    assert colour["full_adu"] == pytest.approx(3839, rel=0.01)
    scale = np.array(colour["multipliers"]) / colour["full_adu"]
    light = np.einsum("ij,jyx->yxi", np.array(colour["balanced_to_space"]) * scale, value)
    plain = ~maximum_filter(value.max(axis=0) > 0.8 * 3600, 19)
    np.testing.assert_allclose(
        (picture - editing["pedestal"])[plain], light[plain], rtol=1e-4, atol=1e-6
    )


def test_a_night_held_upright_opens_upright(tmp_path: Path) -> None:
    folder = simulated(tmp_path / "night", frames=2, orientation=6)
    good("stack", folder, "--out", tmp_path / "out")
    green = fits.getdata(tmp_path / "out" / "stack.fits")[1]
    assert green.shape == (240, 320)
    # Orientation 6 (TIFF 6.0, EXIF 2.32): the first row is the picture's right side, so that it
    # is shown turned a quarter clockwise.
    upright = np.rot90(green, -1)
    by_opencv = cv2.imread(str(tmp_path / "out" / "stack.tif"), cv2.IMREAD_UNCHANGED)
    by_tifffile = tifffile.imread(tmp_path / "out" / "stack.tif")
    for picture in (by_opencv, by_tifffile):
        assert picture.shape == (320, 240, 3)
        assert np.corrcoef(picture[..., 1].ravel(), upright.ravel())[0, 1] > 0.99
    assert cv2.imread(str(tmp_path / "out" / "preview.png")).shape == (320, 240, 3)


def test_results_may_lie_beside_the_sources_which_are_not_touched(
    result: Path, night: Path
) -> None:
    (night / "notes.txt").write_text("cold")
    before = contents(night)
    for name in RESULTS:  # those of an earlier run are no sources
        shutil.copy(result / name, night)
    assert "3 of 3 frames used" in good("stack", night, "--out", night, "--force")
    assert names(night) == sorted([*before, *RESULTS])
    assert {name: contents(night)[name] for name in before} == before


def test_the_number_of_jobs_changes_nothing(
    result: Path,
    small_night: Path,
    tmp_path: Path,
    reader_processes: None,  # noqa: ARG001
) -> None:
    out = tmp_path / "out"  # the other one was made by one thread, which read the files itself
    good("stack", small_night, "--out", out, "--jobs", 3)
    for name in ("stack.fits", "stack.tif", "preview.png", "pictures.zip"):
        assert (out / name).read_bytes() == (result / name).read_bytes(), name
    record, other = record_of(out), record_of(result)
    record.pop("output"), other.pop("output")
    assert record == other


@pytest.mark.slow
def test_file_names_decide_nothing_where_there_are_times(
    result: Path, small_night: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "shuffled"
    folder.mkdir()
    shuffled = ["m", "c", "z", "a", "k", "b"]
    for k, name in enumerate(shuffled, start=1):
        shutil.copy(small_night / f"night_{k:04d}.dng", folder / f"{name}.dng")
    good("stack", folder, "--out", tmp_path / "out")
    rows = record_of(tmp_path / "out")["frames"]
    assert [row["file"] for row in rows] == [f"{name}.dng" for name in shuffled]
    for extension in (0, "VARIANCE", "COVERAGE"):
        ours = fits.getdata(tmp_path / "out" / "stack.fits", extension)
        assert np.array_equal(ours, fits.getdata(result / "stack.fits", extension))


def test_frames_without_times(tmp_path: Path) -> None:
    folder = simulated(tmp_path / "night", frames=3, with_times=False)
    text = good("stack", folder, "--out", tmp_path / "out", "--method", "median")
    assert "Sky turned    0.50°\n" in text
    record = record_of(tmp_path / "out")
    assert record["integration"]["method"] == record["options"]["method"] == "median"
    assert [row["time"] for row in record["frames"]] == [None] * 4
    assert [row["used"] for row in record["frames"]] == [True] * 3 + [False]
    assert record["geometry"]["rate_arcsec_s"] is None
    header = fits.getheader(tmp_path / "out" / "stack.fits")
    assert "DATE-OBS" not in header
    assert header["XPOSURE"] == 24.0


def test_odd_names_of_folders_and_files(small_night: Path, tmp_path: Path) -> None:
    folder = tmp_path / "Nächte am See 🌌"
    folder.mkdir()
    shutil.copy(small_night / "night_0001.dng", folder / "-erste Aufnahme.dng")
    shutil.copy(small_night / "night_0002.dng", folder / "zwei\t.dng")
    (folder / "drei\n\x1b[31m.dng").write_text("no picture")
    text = good("stack", folder, "--out", folder / "Ergebnis ✔")
    assert "2 of 3 frames used" in text
    # What a terminal would obey is not sent to it.
    assert "  drei??[31m.dng: a text file, not a raw picture\n" in text
    listed = [row["file"] for row in record_of(folder / "Ergebnis ✔")["frames"]]
    assert listed == ["-erste Aufnahme.dng", "zwei\t.dng", "drei\n\x1b[31m.dng"]


def test_what_is_given_twice_counts_once(three: Path, tmp_path: Path) -> None:
    single = three / "night_0002.dng"
    assert "3 of 3" in good("stack", three, three, single, "--out", tmp_path / "out")


# Words and streams


def test_a_process_of_its_own_says_nothing_on_standard_error(
    result: Path, small_night: Path, tmp_path: Path, begun: Begun
) -> None:
    out = begun(small_night, tmp_path / "out")
    command = [*PROCESS, "stack", str(small_night), "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=True)
    assert done.stderr == ""
    assert done.stdout.startswith("6 of 6 frames used")
    assert (out / "stack.fits").read_bytes() == (result / "stack.fits").read_bytes()


def test_a_terminal_is_shown_the_steps(three: Path, tmp_path: Path, begun: Begun) -> None:
    pty = pytest.importorskip("pty")
    screen, end = pty.openpty()
    command = [*PROCESS, "stack", str(three), "--out", str(tmp_path / "out")]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80"}
    pieces: list[bytes] = []

    def read() -> None:
        while True:
            try:
                pieces.append(os.read(screen, 4096))
            except OSError:  # the other end is closed
                return

    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=end, env=environment, text=True, encoding="utf-8"
    ) as process:
        os.close(end)
        reader = threading.Thread(target=read)
        reader.start()
        out, _ = process.communicate()
        reader.join()
    os.close(screen)
    shown = b"".join(pieces).decode()
    assert process.returncode == 0
    for step in ("Reading the frames", "Finding stars", "Combining", "Writing"):
        assert step in shown
    assert "3/3" in shown
    # Read by other processes, in two threads, it is the same to the byte.
    good("stack", three, "--out", begun(three, tmp_path / "here"))
    ours, theirs = (tmp_path / name / "stack.fits" for name in ("out", "here"))
    assert ours.read_bytes() == theirs.read_bytes()
    assert out.startswith("3 of 3 frames used")
    assert "Reading" not in out


@pytest.mark.parametrize("command", [[], ["stack"], ["simulate"]])
def test_help_begins_with_the_purpose_and_has_an_example(command: list[str]) -> None:
    text = good(*command, "--help")
    first = text.strip().splitlines()[0]
    assert first.split()[0] in ("From", "Stack", "Write")
    assert "Example: stackkit " in text
    assert text.index("Example: ") < text.index("Usage: ") < text.index("Options:")
    assert max(map(len, text.splitlines())) <= 80


def test_no_command_shows_the_help() -> None:
    outcome = run()
    assert (outcome.status, outcome.out) == (2, "")
    assert "Example: stackkit stack" in outcome.err


def test_the_version() -> None:
    assert good("--version") == f"stackkit {stackkit.__version__}\n"


@pytest.mark.parametrize(
    "code",
    [
        "import stackkit",
        "from stackkit_cli.main import main\ntry: main(['--help'])\nexcept SystemExit: pass",
        "from stackkit_cli.main import main\ntry: main(['stack', '-h'])\nexcept SystemExit: pass",
    ],
)
def test_what_takes_long_to_load_is_not_loaded_for_help(code: str) -> None:
    heavy = "'numba', 'astropy', 'rawpy', 'scipy', 'photutils', 'numpy'"
    code += f"\nimport sys; sys.exit(str([m for m in ({heavy}) if m in sys.modules]))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr.strip() == "[]"


# Wrong usage: exit status 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["stack"], "Missing argument 'FOLDER...'"),
        (["stack", "night"], "Missing option '--out'"),
        (["stack", "--out", "x"], "Missing argument 'FOLDER...'"),
        (["stack", "night", "--out", "x", "--jobs", "0"], "--jobs"),
        (["stack", "night", "--out", "x", "--jobs", "two"], "'two' is not a valid whole number"),
        (["stack", "night", "--out", "x", "--bogus"], "--bogus"),
        (["stack", "night", "--out", ""], "the name is empty"),
        (["stack", "", "--out", "x"], "the name is empty"),
        (["stack", "night", "--out", "x", "--method", "best"], "Choose one of: by-sample, mean"),
        (["stak"], "Did you mean stack?"),
    ],
)
def test_wrong_usage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    line = fault(2, *arguments)
    assert words in line
    assert " --help" in line or "Choose" in line
    assert names(tmp_path) == []


def test_results_are_replaced_only_by_force(three: Path, tmp_path: Path, begun: Begun) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "stack.tif").write_text("mine")
    (out / "diary.txt").write_text("mine too")
    before = contents(out)
    line = fault(2, "stack", three, "--out", out)
    assert f"{out} already has results (stack.tif)" in line
    assert "--force" in line
    assert contents(out) == before
    good("stack", three, "--out", begun(three, out), "--force")
    assert names(out) == sorted([*RESULTS, "diary.txt"])
    assert tifffile.imread(out / "stack.tif").shape == (240, 320, 3)
    assert (out / "diary.txt").read_text() == "mine too"


def test_a_run_that_fails_leaves_older_results_alone(
    three: Path, tmp_path: Path, begun: Begun
) -> None:
    out = begun(three, tmp_path / "out")
    good("stack", three, "--out", out)
    before = contents(out)
    fault(1, "stack", tmp_path / "nowhere", "--out", out, "--force")
    assert contents(out) == before


def test_out_is_a_file(three: Path) -> None:
    line = fault(2, "stack", three, "--out", three / "night_0001.dng")
    assert "is a file" in line
    assert "--out" in line
