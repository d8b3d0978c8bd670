"""`auditor check` and `auditor demo`: their arguments and options."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import click

from auditor import spread_options
from auditor.audit_report import STYLES, Wanted, audit_and_report
from auditor.command_line import cache_option, load_rig_or_stop, stop
from auditor.night_types import DEFAULT_GAP_S, LONGEST_GAP_S
from auditor.options import trims_option

if TYPE_CHECKING:
    from collections.abc import Callable

F = TypeVar("F", bound="Callable[..., Any]")


_REPORT = ("style", "output", "fail_on", "no_cache")
_ORDERS = click.Choice(["tracks", "set"])
_FAIL_ON = click.Choice(["engaged", "risk", "never"])


def _report_options(command: F) -> F:
    for option in (
        click.option(
            "--fail-on",
            type=_FAIL_ON,
            default="risk",
            show_default=True,
            help="From which verdict on to exit with status 1.",
        ),
        click.option("-o", "--output", metavar="FILE", help="Write the report to FILE instead of the screen."),
        click.option(
            "--format", "style", type=click.Choice(STYLES), default="text", show_default=True, help="Kind of report."
        ),
    ):
        option(command)
    return command


_BAND = click.option(
    "--band",
    "with_band",
    is_flag=True,
    help="Give the margin as a range, with what is assumed anywhere in its band, and say what to measure first. "
    "Takes some seconds for a track of a minute.",
)


def _order_options(command: F) -> F:
    for option in (
        click.option(
            "--gap-s",
            type=click.FloatRange(0.0, LONGEST_GAP_S),
            metavar="S",
            help=f"Silence between two tracks with --order set, in seconds.  [default: {DEFAULT_GAP_S:g}]",
        ),
        click.option(
            "--order",
            type=_ORDERS,
            default="tracks",
            show_default=True,
            help="Judge each track from cold, or all of them played one after the other, as warm as that leaves them.",
        ),
    ):
        option(command)
    return command


def _gap_s(order: str, gap_s: float | None, *, with_band: bool) -> float | None:
    """Silence between the tracks of a set that is played through [s]; None where each is judged from cold."""
    if order == "tracks" and gap_s is not None:
        raise click.UsageError("--gap-s: goes with --order set (as it is, every track is judged from cold)")
    if order == "set" and with_band:
        raise click.UsageError(
            "--band: not with --order set (leave out --order, and heat is carried for the set alone)"
        )
    if gap_s is not None and gap_s != gap_s:
        raise click.BadParameter("nan is no time.", param_hint="'--gap-s'")
    return None if order == "tracks" else DEFAULT_GAP_S if gap_s is None else gap_s


@click.command()
@click.argument("paths", nargs=-1, metavar="PATH...")
@click.option(
    "-r", "--rig", "rig_path", required=True, metavar="RIG.toml", help="The rig file; `auditor rig new` writes one."
)
@trims_option
@_order_options
@_BAND
@_report_options
@cache_option
@spread_options.options
def check(
    paths: tuple[str, ...],
    rig_path: str,
    trims: str | None,
    order: str,
    gap_s: float | None,
    with_band: bool,
    **others: Any,
) -> None:
    """Audit sound files, folders of them and playlists through a rig.

    Playlists are M3U, PLS, XSPF, and CUE sheets, which cut a file into tracks.
    """
    silence_s = _gap_s(order, gap_s, with_band=with_band)
    report = {name: others.pop(name) for name in _REPORT}
    asked = spread_options.Asked(**others)
    asked.refuse_impossible(paths, is_night=silence_s is not None, is_trimmed=trims is not None)
    rig = load_rig_or_stop(rig_path)
    audit_and_report(list(paths), rig, Wanted(gap_s=silence_s, trims=trims, asked=asked, with_band=with_band, **report))


@click.command()
@_order_options
@_BAND
@_report_options
@cache_option
def demo(order: str, gap_s: float | None, with_band: bool, **report: Any) -> None:
    """Audit the demonstration set through the demonstration rig."""
    silence_s = _gap_s(order, gap_s, with_band=with_band)
    from auditor.demo import demo_paths, demo_rig_path
    from auditor.errors import AuditorError

    try:
        paths, rig = [str(path) for path in demo_paths()], load_rig_or_stop(str(demo_rig_path()))
    except AuditorError as error:
        stop(str(error))
    audit_and_report(paths, rig, Wanted(gap_s=silence_s, with_band=with_band, **report))


COMMANDS = (check, demo)
