"""``stackkit compare``: the same frames by several methods, in numbers and pictures."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import click

from . import options
from .stack import interrupted, take_back
from .terminal import Explained, progress_bar, shown


@click.command(
    name="compare",
    cls=Explained,
    epilog="Example: stackkit compare my_night --methods by-sample,median,mean --out compared",
)
@options.folders("paths")
@options.out("results")
@click.option(
    "--methods",
    metavar="A,B,C",
    default="",
    help=f"Which methods, by name, with commas between: {options.METHODS} [default: all].",
)
@click.option(
    "--keep", metavar="NAME", help="Also write this method's stack, as stackkit stack would."
)
@options.force("results")
@options.jobs()
@options.session()
@options.masters()
@options.scratch()
@options.keep_scratch()
@click.option("--json", "as_json", is_flag=True, help="Print compare.json instead of the table.")
def command(
    paths: tuple[Path, ...],
    out: Path,
    methods: str,
    keep: str | None,
    force: bool,
    jobs: int | None,
    session: int | None,
    masters: tuple[Path, ...],
    as_json: bool,
    scratch: Path | None,
    keep_scratch: bool,
) -> None:
    """Compare what each integration method does to noise, trails, stars and colour.

    The frames are read and aligned once and combined by every method. DIR receives compare.html
    (a page to look at, with the same places by each method side by side), compare.json (the
    figures) and crops. The table ends with the method to use for these frames, and why.
    """
    from stackkit.compare import compare
    from stackkit.compare.files import FILES, check_folder, write_comparison
    from stackkit.first_run import compiling_ahead
    from stackkit.pipeline import Options
    from stackkit.record.file import plain
    from stackkit.run.workspace import Task, workspace

    from .comparison_text import terminal_table

    names = [name.strip() for name in methods.split(",") if name.strip()]
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        check_folder(out, force=force)
        asked = Options(masters=masters, session=session)
        task = Task((*paths, *masters), ("compare", asked, names, keep), out, FILES)
        with progress_bar() as progress, workspace(task, scratch, keep=keep_scratch) as work:
            if work.note:
                click.echo(work.note, err=True)
            made_of = replace(asked, jobs=jobs)
            with compiling_ahead(jobs, partial(click.echo, err=True)):
                found = compare(paths, names, made_of, keep, progress, work)
            record = write_comparison(found, out, progress)
    except KeyboardInterrupt as interruption:
        raise KeyboardInterrupt(interrupted(scratch or out)) from interruption
    except BaseException:
        take_back(made)
        raise
    if as_json:
        click.echo(json.dumps(plain(record), ensure_ascii=True, indent=1))
    else:
        click.echo(terminal_table(plain(record), shutil.get_terminal_size().columns))
        click.echo(f"\nLook at it: {shown(str(out / 'compare.html'))}")
