"""The equaliser between mixer and amplifier: sections of second order in a row, each channel alike.

Source and range
----------------
R. Bristow-Johnson, "Cookbook formulae for audio equalizer biquad filter coefficients" (published as a W3C note, 2021):
analogue prototypes turned into recursive filters by the bilinear transform, so that a section meets its gain exactly at
its own frequency. They run at the file's sampling rate in double precision. Equalisers differ in how they treat the
last octave below half the sampling rate; there a section is narrower than its prototype.

A section whose frequency lies at or above half the sampling rate cannot run. One that works downward from there
(low-pass, high shelf) or around it (peaking) is left out, which a note says; one that works on all the file holds
(high-pass, low shelf) makes the file unusable with this rig.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from auditor.errors import ProgrammeError
from auditor.kernels import compiled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from auditor.rig import EqualiserSection

_SETTLED_RATIO = 1e-7  # of an impulse, after which a section has forgotten it
_LONGEST_SETTLING_S = 30.0
_WHOLE_BAND = ("high_pass", "low_shelf")


def coefficients(section: EqualiserSection, sample_rate_hz: int) -> tuple[float, float, float, float, float]:
    """b0, b1, b2, a1, a2 of a section, a0 being 1: the cookbook's formulas.

    Parameters
    ----------
    section : EqualiserSection
        Its frequency below half the sampling rate.
    sample_rate_hz : int
    """
    w = 2.0 * math.pi * section.frequency_hz / sample_rate_hz
    cos, alpha = math.cos(w), math.sin(w) / (2.0 * section.q)
    a = 10.0 ** (section.gain_db / 40.0)
    if section.kind == "low_pass":
        b, d = ((1.0 - cos) / 2.0, 1.0 - cos, (1.0 - cos) / 2.0), (1.0 + alpha, -2.0 * cos, 1.0 - alpha)
    elif section.kind == "high_pass":
        b, d = ((1.0 + cos) / 2.0, -1.0 - cos, (1.0 + cos) / 2.0), (1.0 + alpha, -2.0 * cos, 1.0 - alpha)
    elif section.kind == "peaking":
        b = (1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a)
        d = (1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a)
    else:
        # The two shelves are each other's mirror image about a quarter of the sampling rate.
        side = 1.0 if section.kind == "low_shelf" else -1.0
        slope, up, down = 2.0 * math.sqrt(a) * alpha, a + 1.0, (a - 1.0) * side
        b = (a * (up - down * cos + slope), side * 2.0 * a * (a - 1.0 - side * up * cos), a * (up - down * cos - slope))
        d = (up + down * cos + slope, -side * 2.0 * (a - 1.0 + side * up * cos), up + down * cos - slope)
    return b[0] / d[0], b[1] / d[0], b[2] / d[0], d[1] / d[0], d[2] / d[0]


def response(
    sections: Sequence[EqualiserSection], frequency_hz: NDArray[np.floating], sample_rate_hz: int
) -> NDArray[np.complex128]:
    """What the sections do together, as they run at a sampling rate; complex voltage ratio, shape=(n,)."""
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz, dtype=np.float64) / sample_rate_hz)
    ratio = np.ones(z.shape, dtype=np.complex128)
    for section in sections:
        b0, b1, b2, a1, a2 = coefficients(section, sample_rate_hz)
        ratio *= (b0 + (b1 + b2 * z) * z) / (1.0 + (a1 + a2 * z) * z)
    return ratio


def analogue_response(section: EqualiserSection, frequency_hz: float) -> complex:
    """What the section's prototype does at a frequency [Hz]; complex voltage ratio."""
    s = 1j * frequency_hz / section.frequency_hz
    q, a = section.q, 10.0 ** (section.gain_db / 40.0)
    if section.kind == "low_pass":
        return 1.0 / (s * s + s / q + 1.0)
    if section.kind == "high_pass":
        return s * s / (s * s + s / q + 1.0)
    if section.kind == "peaking":
        return (s * s + s * a / q + 1.0) / (s * s + s / (a * q) + 1.0)
    slope = math.sqrt(a) / q
    above, below = s * s + slope * s + a, a * s * s + slope * s + 1.0
    return a * above / below if section.kind == "low_shelf" else a * below / above


def usable_sections(
    sections: Sequence[EqualiserSection], sample_rate_hz: int, *, where: str
) -> tuple[EqualiserSection, ...]:
    """The sections that can run at a sampling rate.

    Parameters
    ----------
    sections : sequence of EqualiserSection
    sample_rate_hz : int
    where : str
        The file, for the message.

    Raises
    ------
    ProgrammeError
        If one cannot run that would work on everything the file holds.
    """
    for number, section in enumerate(sections, start=1):
        if section.frequency_hz >= sample_rate_hz / 2.0 and section.kind in _WHOLE_BAND:
            raise ProgrammeError(
                f"cannot go through equaliser section {number}, {_named(section)}, which lies above the file's band",
                where=where,
                got=f"a sampling rate of {sample_rate_hz} Hz, a band up to {sample_rate_hz / 2.0:g} Hz",
                hint="take the section out of the rig file, or use the file at its original sampling rate",
            )
    return tuple(each for each in sections if each.frequency_hz < sample_rate_hz / 2.0)


def notes(sections: Sequence[EqualiserSection], sample_rate_hz: int) -> list[str]:
    """One sentence for each section that is left out at a sampling rate."""
    end_hz = sample_rate_hz / 2.0
    sentences = []
    for number, section in enumerate(sections, start=1):
        if section.frequency_hz >= end_hz:
            there_db = 20.0 * math.log10(abs(analogue_response(section, end_hz)))
            sentences.append(
                f"equaliser section {number}, {_named(section)}, is left out: the file is sampled at {sample_rate_hz} "
                f"Hz and ends at {end_hz:g} Hz, where the section would make {there_db:+.1f} dB"
            )
    return sentences


def _named(section: EqualiserSection) -> str:
    return f"{section.kind.replace('_', ' ')} at {section.frequency_hz:g} Hz"


class EqualiserChannel:
    """Streams one channel through the sections.

    Parameters
    ----------
    sections : sequence of EqualiserSection
        All below half the sampling rate.
    sample_rate_hz : int
    """

    def __init__(self, sections: Sequence[EqualiserSection], sample_rate_hz: int) -> None:
        self._coefficients = np.array([coefficients(each, sample_rate_hz) for each in sections]).reshape(-1, 5)
        self._states = np.zeros((len(sections), 2))
        self._longest = round(_LONGEST_SETTLING_S * sample_rate_hz)

    def push(self, voltage_v: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take the next samples, shape=(n,); return them equalised."""
        equalised_v = np.empty(len(voltage_v), dtype=np.float32)
        _run_sections(voltage_v, self._coefficients, self._states, equalised_v)
        return equalised_v

    @property
    def settling(self) -> int:
        """Samples in which the sections forget what was before."""
        total = 0.0
        for _, _, _, a1, a2 in self._coefficients:
            radius = float(np.abs(np.roots([1.0, a1, a2])).max())
            total += math.log(_SETTLED_RATIO) / math.log(radius) if 0.0 < radius < 1.0 else 2.0
        return min(math.ceil(total), self._longest)

    @property
    def peak_gain_db(self) -> float:
        """Most that it can add to the peak of any signal [dB]: the sum of its impulse response's magnitudes."""
        impulse = np.zeros(self.settling + 1, dtype=np.float32)
        impulse[0] = 1.0
        answer = np.empty_like(impulse)
        _run_sections(impulse, self._coefficients, np.zeros_like(self._states), answer)
        return 20.0 * math.log10(float(np.abs(answer).sum(dtype=np.float64)))


@compiled()
def _run_sections(samples, coefficients, states, equalised):  # type: ignore[no-untyped-def]
    for i in range(len(samples)):
        x = np.float64(samples[i])
        for k in range(coefficients.shape[0]):
            y = coefficients[k, 0] * x + states[k, 0]
            first = coefficients[k, 1] * x - coefficients[k, 3] * y + states[k, 1]
            second = coefficients[k, 2] * x - coefficients[k, 4] * y
            # In silence the states would fade into numbers so small that the processor slows down a hundredfold. Both
            # at once: one alone would keep the other going.
            faded = abs(first) < 1e-25 and abs(second) < 1e-25
            states[k, 0] = 0.0 if faded else first
            states[k, 1] = 0.0 if faded else second
            x = y
        equalised[i] = x
