"""``stackkit report``: the page of a finished run, made again."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .terminal import Explained, Place, shown


@click.command(
    name="report",
    cls=Explained,
    epilog="Example: stackkit report result --open",
)
@click.argument("folder", metavar="DIR", type=Place())
@options.open_page()
def command(folder: Path, show: bool) -> None:
    """Make report.html of a finished run again, from the files beside it.

    DIR is where stackkit stack wrote its results: run.json and pictures.zip are read, the raw files
    are no longer needed. Without pictures.zip the page has figures but no pictures. An older
    report.html in DIR is replaced.
    """
    from stackkit.output.write import report_again

    page = report_again(folder)
    click.echo(f"Look at it: {shown(str(page))}")
    if show:
        open_in_browser(page)


def open_in_browser(page: Path) -> None:
    """Show a page in the browser, with a message where none can be started."""
    import webbrowser

    if not webbrowser.open(page.resolve().as_uri()):
        click.echo(f"No browser could be started. Open {shown(str(page))} yourself.", err=True)
