"""`auditor tone`: writes a calibration signal and says what to do with it.

Only click is imported here; everything else is imported inside the command, so that help is quick.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal

import click

from auditor.command_line import ExitStatus, refuse_unwritable, say, stop, whole_file, write_report

if TYPE_CHECKING:
    from auditor.render_file import Container
    from auditor.tone import Tone

_CONTAINERS: dict[str, Container] = {".wav": "WAV", ".flac": "FLAC"}


class _Range(click.FloatRange):
    """A range that not-a-number is not in, whatever comparisons say."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number = float(super().convert(value, param, ctx))
        if number != number:
            self.fail("nan is no number that a tone can have", param, ctx)
        return number


@click.command("tone", short_help="Write a tone or noise to calibrate the rig file with.")
@click.option("-o", "--output", required=True, metavar="OUT.wav", help="The file to write: .wav or .flac, 24 bits.")
@click.option(
    "--kind",
    type=click.Choice(["sine", "pink"]),
    default="sine",
    show_default=True,
    help="A sine, to read volts by; or band-limited pink noise, to read sound level by.",
)
@click.option(
    "--level-dbfs",
    type=_Range(-80.0),
    default=-30.0,
    show_default=True,
    help="Its rms; 0 is that of a full-scale sine.",
)
@click.option(
    "--frequency-hz",
    type=_Range(20.0, 20_000.0),
    default=315.0,
    show_default=True,
    help="Of the sine. 315 stays away from the HF driver and suits a plain multimeter.",
)
@click.option("--low-hz", type=_Range(10.0, 10_000.0), default=100.0, show_default=True, help="Of the noise.")
@click.option("--high-hz", type=_Range(20.0, 20_000.0), default=10_000.0, show_default=True, help="Of the noise.")
@click.option(
    "--seconds",
    "duration_s",
    type=_Range(1.0, 3600.0),
    default=30.0,
    show_default=True,
    help="How long, between the fades.",
)
@click.option(
    "--rate-hz",
    type=click.Choice(["44100", "48000", "88200", "96000", "192000"]),
    default="48000",
    show_default=True,
    help="Sampling rate.",
)
@click.option("--force", is_flag=True, help="Write over OUT.wav if it is there already.")
def tone_command(
    output: str,
    kind: Literal["sine", "pink"],
    level_dbfs: float,
    frequency_hz: float,
    low_hz: float,
    high_hz: float,
    duration_s: float,
    rate_hz: str,
    force: bool,
) -> None:
    """Write a signal of exactly known level, to calibrate the rig file by measuring.

    Before it is played: disconnect the HF driver, or turn everything down and come up slowly.
    """
    _refuse_idle(kind)
    container = _container(output, force=force)
    from auditor.tone import Tone

    tone = Tone(
        kind=kind,
        level_dbfs=level_dbfs,
        duration_s=duration_s,
        sample_rate_hz=int(rate_hz),
        frequency_hz=frequency_hz,
        low_hz=low_hz,
        high_hz=high_hz,
    )
    _write(tone, output, container)


def _refuse_idle(kind: str) -> None:
    """Refuse what was asked for and would do nothing: a frequency of noise, limits of a sine."""
    context = click.get_current_context()
    idle = {"frequency_hz": "sine"} if kind == "pink" else {"low_hz": "pink", "high_hz": "pink"}
    for name, wanted in idle.items():
        if context.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE:
            raise click.UsageError(f"--{name.replace('_', '-')} goes with --kind {wanted} only")


def _container(output: str, *, force: bool) -> Container:
    container = _CONTAINERS.get(Path(output).suffix.lower())
    if container is None:
        stop(f"{output}: ends neither in .wav nor in .flac, which are what can be written (choose another name)")
    refuse_unwritable(output, keep=[], is_sound=True)
    if os.path.isfile(output) and not force:
        stop(f"{output}: is there already (--force writes over it, -o chooses another name)")
    return container


def _write(tone: Tone, output: str, container: Container) -> None:
    from auditor.errors import AuditorError
    from auditor.report import tone_sheet
    from auditor.tone import write

    try:
        with whole_file(output) as partial:
            written = write(tone, partial, container)
    except KeyboardInterrupt:
        say("interrupted: nothing was written")
        sys.exit(ExitStatus.INTERRUPTED)
    except AuditorError as error:
        stop(f"{output}: {error}" if error.where is None else str(error))

    def show(file: IO[str]) -> None:
        from auditor.report.layout import Sheet
        from auditor.report.terminal import glyphs_for, make_console

        console = make_console(file, no_color=False)
        with console.capture() as capture:  # at a closed pipe rich would end the program with a status of its own
            tone_sheet.show(
                tone, written, output, Sheet(console=console, glyphs=glyphs_for(console), width=console.width)
            )
        file.write(capture.get())

    write_report(show, None)
