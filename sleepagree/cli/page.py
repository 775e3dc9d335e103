"""``sleepagree page``."""

from __future__ import annotations

from pathlib import Path

import click

from sleepagree.cli import options as shared


@click.command()
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="PORT", help="By default one that is free.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@click.option(
    "--idle",
    type=shared.Number(0.01, 100_000),
    default=60.0,
    show_default=True,
    metavar="MINUTES",
    help="End after so long without a request.",
)
def page(*, port: int, no_browser: bool, idle: float) -> None:
    """Open a page in your browser: two files in, what is unclear asked, the answer shown, files to keep.

    The page is served from this machine to this machine; nothing leaves it. What you give it lies in a private
    temporary folder until the page ends. The first line that is printed is its address, with a key that nobody else
    has. Ctrl-C ends it.

    A measuring tool for research and personal interest, no medical device; it diagnoses nothing.
    """
    from importlib.util import find_spec

    from sleepagree.errors import InputError

    for name in ("python_multipart", "starlette", "uvicorn"):
        if find_spec(name) is None:
            raise InputError.of_library("the page", name, "page")
    from sleepagree.page.serve import serve_page

    def announce(address: str) -> None:
        click.echo(address)
        if no_browser:
            return
        import webbrowser

        click.echo("Ctrl-C ends the page; what you gave it is removed then.", err=True)
        if not webbrowser.open(address):
            click.echo("No browser could be opened: open the address yourself.", err=True)

    layouts = Path(click.get_app_dir("sleepagree")) / "layouts"
    serve_page(port=port, idle_min=idle, layouts=layouts, announce=announce)
    click.echo("The page has ended; what it was given is removed.", err=True)
