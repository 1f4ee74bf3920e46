"""``stackkit compare``: the same frames by several methods, in numbers and pictures."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import click

from .stack import take_back
from .terminal import Explained, Place, Whole, progress_bar, shown


@click.command(
    name="compare",
    cls=Explained,
    epilog="Example: stackkit compare my_night --methods by-sample,median,mean --out compared",
)
@click.argument("paths", metavar="FOLDER...", nargs=-1, required=True, type=Place())
@click.option(
    "--out",
    "out",
    metavar="DIR",
    required=True,
    type=Place(),
    help="Where the results go; made if it is not there.",
)
@click.option(
    "--methods",
    metavar="A,B,C",
    default="",
    help="Which methods, by name, with commas between: by-sample, mean, median, sigma-clip, "
    "winsorised, noise-model, tukey, huber, maximum, minimum [default: all].",
)
@click.option(
    "--keep", metavar="NAME", help="Also write this method's stack, as stackkit stack would."
)
@click.option("--force", is_flag=True, help="Replace results that are already in DIR.")
@click.option("--jobs", metavar="N", type=Whole(min=1), help="Threads [default: all cores].")
@click.option(
    "--masters",
    metavar="PATH",
    multiple=True,
    type=Place(),
    help="Darks, flats and biases, as for stackkit stack.",
)
@click.option("--json", "as_json", is_flag=True, help="Print compare.json instead of the table.")
def command(
    paths: tuple[Path, ...],
    out: Path,
    methods: str,
    keep: str | None,
    force: bool,
    jobs: int | None,
    masters: tuple[Path, ...],
    as_json: bool,
) -> None:
    """See what each way of combining the same frames does to noise, trails, stars and colour.

    The frames are read and aligned once and combined by every method. DIR receives compare.html
    (a page to look at, with the same places by each method side by side), compare.json (the
    figures) and crops. The table ends with the method to take for these frames, and why.
    """
    from stackkit.comparison import compare
    from stackkit.comparison.files import check_folder, write_comparison
    from stackkit.line import Options
    from stackkit.output.record import plain

    from .comparison_text import terminal_table

    names = [name.strip() for name in methods.split(",") if name.strip()]
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        check_folder(out, force=force)
        with progress_bar() as tell:
            options = Options(masters=masters, jobs=jobs, scratch=out)
            record = write_comparison(compare(paths, names, options, keep, tell), out, tell)
    except BaseException:
        take_back(made)
        raise
    if as_json:
        click.echo(json.dumps(plain(record), ensure_ascii=True, indent=1))
    else:
        click.echo(terminal_table(plain(record), shutil.get_terminal_size().columns))
        click.echo(f"\nLook at it: {shown(str(out / 'compare.html'))}")
