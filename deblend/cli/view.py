"""The command `deblend view`."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import click

from deblend.cli.errors import plain_errors


@click.command(short_help="Look at any gather of a run, in the browser.")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--at",
    "place",
    default="",
    metavar="PLACE",
    help="What to show first: source=1,channel=12 or source=1,shot_point=2041, or a link of a "
    "page that was open.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port of this machine; a free one by default.",
)
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@plain_errors
def view(out: Path, place: str, port: int, no_browser: bool) -> None:
    """Look at any gather of a finished run in folder OUT, or of one under way.

    Serves this machine alone, to whoever has the token in the address, and writes nothing. Ends
    with Ctrl-C.
    """
    from deblend.model.place import read_place
    from deblend.view.serve import viewing

    try:
        with viewing(out, read_place(place), port) as served:
            click.echo(f"{out} at {served.address}\nCtrl-C ends this.")
            if not no_browser:
                webbrowser.open(served.address)
            served.until_stopped()
    except KeyboardInterrupt:
        click.echo("ended")
