"""Options that several commands share."""

from __future__ import annotations

import click

trims_option = click.option(
    "--trims", metavar="FILE", help="Gains of single tracks, one a line: -3 dB and the track's path, name or title."
)
