"""The inner loops of the ladder of gains (`auditor.chain.overdrive`): rows of samples clipped and high-passed.

Rows are worked on side by side, each from rest with time to settle, so that one instruction of the processor serves
several of them. The samples are clipped before the gain and not after it: a limit for each rung does for both.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.crossover import high_pass_poles
from auditor.kernels import compiled, largest_magnitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Crossover

# Rows side by side, samples of each that are looked at together, and those that stay in the first cache.
LANES, AT_ONCE, _TILE = 32, 4, 128
_REAL = 1e-9  # imaginary part of a pole, up to which it is a real one


def high_pass_sections(crossover: Crossover, sample_rate_hz: int) -> NDArray[np.float32]:
    """The alignment as two recursive sections, or four for orders above four; rows of b1 b2 a1 a2.

    Without its gain (b0 is 1), which the ratios do not need.
    """
    # Above the file's band there is nothing to compare; the corner is kept just inside it.
    corner_hz = min(crossover.frequency_hz, 0.45 * sample_rate_hz)
    warped = math.tan(math.pi * corner_hz / sample_rate_hz)
    analogue = [pole * warped for pole in high_pass_poles(crossover)]
    poles = [(1.0 + pole) / (1.0 - pole) for pole in analogue]
    pairs = [pole for pole in poles if pole.imag > _REAL]
    alone = [pole.real for pole in poles if abs(pole.imag) <= _REAL]
    rows = [(-2.0, 1.0, -2.0 * pole.real, abs(pole) ** 2) for pole in pairs]
    rows += [(-2.0, 1.0, -one - other, one * other) for one, other in zip(alone[::2], alone[1::2], strict=False)]
    rows += [(-1.0, 0.0, -alone[-1], 0.0)] if len(alone) % 2 else []
    sections = np.zeros((2 if len(rows) <= 2 else 4, 4), dtype=np.float32)
    sections[: len(rows)] = np.array(rows).reshape(-1, 4)
    return sections


# What is kept of each row on each rung: energy and peak of what comes out, and two states of each filter section.
_ENERGY, _PEAK, _STATES = 0, 1, 2


@compiled(fastmath=True)
def climb(wished, row_length, lead, limits, sections, energies, peaks, wished_peaks):  # type: ignore[no-untyped-def]
    """Energy and peak of every row on every rung, of samples clipped at `limits`, shape=(rungs,), which descend.

    Rows are worked on side by side, so that each instruction of the processor serves several. The loudest come first
    and together: then few are clipped on a rung only because their neighbours are.
    """
    rows, rungs = energies.shape
    for row in range(rows):
        wished_peaks[row] = largest_magnitude(wished[row * row_length : (row + 1) * row_length + lead])
    energies[:], peaks[:] = 0.0, 0.0
    order = np.argsort(wished_peaks)[::-1]
    tile = np.zeros((_TILE, LANES), np.float32)
    kept = np.empty((rungs, _STATES + 2 * len(sections), LANES), np.float32)
    for first in range(0, rows, LANES):
        group = order[first : first + LANES]
        loudest = wished_peaks[group[0]]
        if loudest <= limits[rungs - 1]:
            break  # nothing clips on any rung, in these rows and in those to come: plain scaling holds
        # Of the rungs on which nothing clips one is enough.
        plain = 0
        while limits[plain + 1] >= loudest:
            plain += 1
        kept[:] = 0.0
        _pass_through(wished, group * row_length, lead, limits[plain:], sections, kept, tile)
        kept[:, :_STATES] = 0.0  # the filters have settled: what counts starts here
        _pass_through(wished, group * row_length + lead, row_length, limits[plain:], sections, kept, tile)
        for rung in range(rungs):
            of = kept[max(rung - plain, 0)]
            for lane in range(len(group)):
                energies[group[lane], rung], peaks[group[lane], rung] = of[_ENERGY, lane], of[_PEAK, lane]


@compiled(fastmath=True)
def _pass_through(wished, starts, length, limits, sections, kept, tile):  # type: ignore[no-untyped-def]
    """Clip and filter `length` samples from each of `starts` on every rung."""
    for begin in range(0, length, _TILE):
        count = min(_TILE, length - begin)
        for lane in range(len(starts)):
            row = wished[starts[lane] + begin : starts[lane] + begin + count]
            for i in range(count):
                tile[i, lane] = row[i]
        for rung in range(len(limits)):
            if len(sections) == 2:
                _two_sections(tile[:count], limits[rung], sections, kept[rung])
            else:
                _four_sections(tile[:count], limits[rung], sections, kept[rung])


@compiled(fastmath=True)
def _section(x, s1, s2, b1, b2, a1, a2):  # type: ignore[no-untyped-def]
    """One recursive section in its transposed form: what comes out, and the new states."""
    y = x + s1
    return y, b1 * x - a1 * y + s2, b2 * x - a2 * y


@compiled(fastmath=True)
def _two_sections(tile, limit, sections, kept):  # type: ignore[no-untyped-def]
    # A few samples of each row at a time: going to and fro between memory and register would cost more than the sums.
    b11, b12, a11, a12 = sections[0]
    b21, b22, a21, a22 = sections[1]
    for first in range(0, len(tile), AT_ONCE):
        samples = tile[first : first + AT_ONCE]
        for lane in range(LANES):
            energy, peak = kept[_ENERGY, lane], kept[_PEAK, lane]
            s1, s2, s3, s4 = kept[2, lane], kept[3, lane], kept[4, lane], kept[5, lane]
            for i in range(AT_ONCE):
                x = min(max(samples[i, lane], -limit), limit)
                y, s1, s2 = _section(x, s1, s2, b11, b12, a11, a12)
                z, s3, s4 = _section(y, s3, s4, b21, b22, a21, a22)
                energy += z * z
                peak = max(peak, abs(z))
            kept[_ENERGY, lane], kept[_PEAK, lane] = energy, peak
            kept[2, lane], kept[3, lane], kept[4, lane], kept[5, lane] = s1, s2, s3, s4


@compiled(fastmath=True)
def _four_sections(tile, limit, sections, kept):  # type: ignore[no-untyped-def]
    b11, b12, a11, a12 = sections[0]
    b21, b22, a21, a22 = sections[1]
    b31, b32, a31, a32 = sections[2]
    b41, b42, a41, a42 = sections[3]
    for first in range(0, len(tile), AT_ONCE):
        samples = tile[first : first + AT_ONCE]
        for lane in range(LANES):
            energy, peak = kept[_ENERGY, lane], kept[_PEAK, lane]
            s1, s2, s3, s4 = kept[2, lane], kept[3, lane], kept[4, lane], kept[5, lane]
            s5, s6, s7, s8 = kept[6, lane], kept[7, lane], kept[8, lane], kept[9, lane]
            for i in range(AT_ONCE):
                x = min(max(samples[i, lane], -limit), limit)
                y, s1, s2 = _section(x, s1, s2, b11, b12, a11, a12)
                z, s3, s4 = _section(y, s3, s4, b21, b22, a21, a22)
                y, s5, s6 = _section(z, s5, s6, b31, b32, a31, a32)
                z, s7, s8 = _section(y, s7, s8, b41, b42, a41, a42)
                energy += z * z
                peak = max(peak, abs(z))
            kept[_ENERGY, lane], kept[_PEAK, lane] = energy, peak
            kept[2, lane], kept[3, lane], kept[4, lane], kept[5, lane] = s1, s2, s3, s4
            kept[6, lane], kept[7, lane], kept[8, lane], kept[9, lane] = s5, s6, s7, s8
