"""``sleepagree demo``."""

from __future__ import annotations

from pathlib import Path

import click

from sleepagree.cli import options as shared


@click.command()
@click.argument("directory", metavar="DIR", type=shared.FILE)
@shared.seed_option("simulator")
@shared.overwrite_option
def demo(directory: Path, *, seed: int, overwrite: bool) -> None:
    """Write an invented study to DIR and print the commands to try on it.

    The crew of a night ferry try two devices: four people, three nights each. Ship, crew and devices are
    invented and every file is simulated; nothing in them tells about a real device. DIR/README.txt says what
    is what, DIR/truth.json what the simulator put in. --overwrite replaces files of the same names only.
    """
    import os
    import shlex

    from sleepagree.errors import typed_path
    from sleepagree.study.demo.write import PAD_ZONE_OPTION, TYPICAL_NIGHT, write_demo

    written = write_demo(directory, seed=seed, overwrite=overwrite)

    def of(name: str) -> str:
        # as the user typed it, with its "./"
        return shlex.quote(typed_path(os.path.join(directory, name)))  # noqa: PTH118

    band = f"{of(f'reference/{TYPICAL_NIGHT}.edf')} {of(f'band-a/{TYPICAL_NIGHT}.csv')}"
    pad = f"{of(f'reference/{TYPICAL_NIGHT}.edf')} {of(f'pad-b/{TYPICAL_NIGHT}.csv')}"
    click.echo(f"Wrote an invented study to {directory} ({len(written.files)} files). Try:")
    for said, command in (
        ("one night of a device without REM", f"night {band} --layout {of('band-a.toml')}"),
        ("the same night under every mapping", f"mappings {band} --layout {of('band-a.toml')}"),
        (
            "a device that writes UTC beside a reference in local time",
            f"night {pad} --layout {of('pad-b.toml')} {PAD_ZONE_OPTION}",
        ),
        (
            "all nights",
            f"study {of('nights.csv')} --out {shlex.quote(typed_path(str(directory).rstrip('/') + '-results'))}",
        ),
    ):
        click.echo(f"\n# {said}\nsleepagree {command}")
