"""Third-octave spectrum of a sound file: its mean over the file, and a picture of it in time.

Blocks are transformed at three lengths, each for the bands that it resolves: long ones for the lowest bands, which need
a second to be told apart, short ones above 1.3 kHz, where 21 ms do and a stroke must not be smeared. The power of each
line is shared out among the bands in proportion to where the line's width lies, so that nothing is lost or counted
twice at a band's edge (between bands of two lengths less than 0.1 dB). The window's squares add up to one at half
overlap, so that the bands' power is the file's.

Bands are those of IEC 61260-1 (base ten: midbands 1000 * 10^(x/10) Hz, edges a twentieth of a decade to either side),
but with the steep edges of a transform in place of that standard's filters: this is a picture, not a sound level meter.

Valid range: midbands under half the sampling rate; a band with its midband at or above it reads silence.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

from auditor.errors import ProgrammeError
from auditor.programme import decode
from auditor.threads import SideBySide
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.programme.entry import Source

    Powers = NDArray[np.float32]

# fmt: off
BANDS_HZ: tuple[float, ...] = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
    1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)
# fmt: on
_FIRST_BAND = -17  # of the lowest, in tenths of a decade from 1 kHz
_HALF_BAND = 10.0 ** (1.0 / 20.0)
_LINES_TO_EDGE = 2.9  # from a midband to its lower edge, for the window's main lobe to stay within
_LONGEST_LINE_HZ = 0.75
_SHORTER = 8  # each length against the next longer one
_LENGTHS = 3
MOST_STEPS = 600  # of a picture
_MEAN_SQUARE_OF_FULL_SCALE = 0.5  # a sine's


@dataclass(frozen=True, kw_only=True)
class Spectrum:
    """Third-octave levels of a file, the mean power of all its channels, against a full-scale sine [dB].

    band_level_dbfs : ndarray [shape=(bands,)] float32
        Mean over the file; `SILENCE_DB` where there is nothing.
    step_s : float
        Time step of the picture [s].
    picture_dbfs : ndarray [shape=(steps, bands)] float32
        Largest short-time level in each step.
    """

    band_level_dbfs: NDArray[np.float32]
    step_s: float
    picture_dbfs: NDArray[np.float32]

    def louder_by(self, gain_db: float) -> Spectrum:
        """The same with the file turned up."""
        if gain_db == 0.0:
            return self
        band_level_dbfs, picture_dbfs = (
            np.maximum(np.where(each > SILENCE_DB, each + np.float32(gain_db), each), np.float32(SILENCE_DB))
            for each in (self.band_level_dbfs, self.picture_dbfs)
        )
        return replace(self, band_level_dbfs=band_level_dbfs, picture_dbfs=picture_dbfs)


def midbands_hz() -> NDArray[np.float64]:
    """The bands' exact midbands, which `BANDS_HZ` rounds [Hz]."""
    return np.asarray(1000.0 * 10.0 ** ((np.arange(len(BANDS_HZ)) + _FIRST_BAND) / 10.0))


def spectrum(source: Source, *, most_steps: int = MOST_STEPS, mono_gain_db: float | None = None) -> Spectrum:
    """Spectrum of a file, read from its beginning to its end; memory does not grow with its length.

    Parameters
    ----------
    source : str, Path or Entry
    most_steps : int
        The picture has at most so many steps, and at least half as many where the file is long enough.
    mono_gain_db : float, optional
        Of the sum of its channels instead, as `decode.inspect` has it.

    Raises
    ------
    ProgrammeError
        If the file cannot be read.
    """
    programme = decode.inspect(source, mono_gain_db=mono_gain_db)
    finding = decode.Finding()
    with SpectrumMeter(programme.sample_rate_hz, programme.feed_count, most_steps=most_steps) as meter:
        for block in decode.blocks(programme, finding):
            meter.push(block)
    if finding.length == 0:
        raise ProgrammeError(
            "breaks off before the first sample", where=programme.name, hint="copy or export it again from its source"
        )
    return meter.finish()


class SpectrumMeter:
    """Measures what is pushed; a thread for each length of transform, a block or two behind.

    Parameters
    ----------
    sample_rate_hz : int
    channel_count : int
    most_steps : int
        As `spectrum`.
    """

    def __init__(self, sample_rate_hz: int, channel_count: int, *, most_steps: int = MOST_STEPS) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._picture = _Picture(most_steps)
        self._analysers = _analysers(sample_rate_hz, channel_count, self._picture)
        self._side_by_side = SideBySide(self._analysers)
        self._length = 0

    def __enter__(self) -> Self:
        self._side_by_side.__enter__()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        self._side_by_side.__exit__(kind, error, trace)

    def push(self, block: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(n, channels), full scale 1.0."""
        self._length += len(block)
        self._side_by_side.push([np.ascontiguousarray(block.T)] * len(self._analysers))

    def finish(self) -> Spectrum:
        """What was heard, at least one sample; once it has been left."""
        energies = np.sum([analyser.finish() for analyser in self._analysers], axis=0)
        hop = self._analysers[-1].hop
        return Spectrum(
            band_level_dbfs=_level_dbfs(energies / self._length),
            step_s=self._picture.hops_per_step * hop / self._sample_rate_hz,
            picture_dbfs=_level_dbfs(self._picture.rows(-(-self._length // hop))),
        )


def _analysers(sample_rate_hz: int, channel_count: int, picture: _Picture) -> list[_Analyser]:
    longest = 1 << int(np.ceil(np.log2(sample_rate_hz / _LONGEST_LINE_HZ)))
    lengths = [longest // _SHORTER**k for k in range(_LENGTHS)]
    at_hz = midbands_hz()
    to_edge_hz = at_hz * (1.0 - 1.0 / _HALF_BAND)
    lowest = [0] + [
        int(np.searchsorted(to_edge_hz, _LINES_TO_EDGE * sample_rate_hz / length)) for length in lengths[1:]
    ]
    beyond = int(np.searchsorted(at_hz, sample_rate_hz / 2.0))
    ends = [min(end, beyond) for end in (*lowest[1:], beyond)]
    return [
        _Analyser(sample_rate_hz, channel_count, length, slice(min(first, end), end), picture, lengths[-1] // 2)
        for length, first, end in zip(lengths, lowest, ends, strict=True)
    ]


def _level_dbfs(mean_square: NDArray[np.floating]) -> NDArray[np.float32]:
    ratio = np.asarray(mean_square, dtype=np.float64) / _MEAN_SQUARE_OF_FULL_SCALE
    level_dbfs = 10.0 * np.log10(np.maximum(ratio, 10.0 ** (SILENCE_DB / 10.0)))
    return np.asarray(level_dbfs, dtype=np.float32)


class _Analyser:
    """Transforms of one length, half overlapping, for the bands in `bands`."""

    def __init__(
        self, sample_rate_hz: int, channel_count: int, length: int, bands: slice, picture: _Picture, finest_hop: int
    ) -> None:
        self.hop = length // 2
        self._length, self._bands, self._picture = length, bands, picture
        self._hops_each = self.hop // finest_hop
        # Power complementary at half overlap, with side lobes that fall off as fast as a Hann window's.
        phase = np.pi * (np.arange(length) + 0.5) / length
        self._window = np.sin(np.pi / 2.0 * np.sin(phase) ** 2).astype(np.float32)
        weights = _band_weights(sample_rate_hz, length, bands)
        used = np.flatnonzero(weights.any(axis=1))
        self._lines = slice(int(used[0]), int(used[-1]) + 1) if len(used) else slice(0, 0)
        self._weights = weights[self._lines].astype(np.float32)
        # Silence before the first sample, so that it is under two windows as every other.
        self._held = np.zeros((channel_count, self.hop), dtype=np.float32)
        self._frames = 0
        self._energies = np.zeros(len(BANDS_HZ))

    def push(self, samples: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(channels, n)."""
        if self._bands.start == self._bands.stop:
            return
        held = np.concatenate([self._held, samples], axis=1)
        frames = held.shape[1] // self.hop - 1
        if frames > 0:
            views = np.lib.stride_tricks.sliding_window_view(held, self._length, axis=1)[:, :: self.hop][:, :frames]
            self._take(views)
        self._held = held[:, max(frames, 0) * self.hop :].copy()

    def _take(self, frames: NDArray[np.float32]) -> None:
        from scipy import fft

        lines = fft.rfft(frames * self._window, axis=-1)[..., self._lines]
        energy = np.mean(lines.real**2 + lines.imag**2, axis=0) @ self._weights
        self._energies[self._bands] += energy.sum(axis=0, dtype=np.float64)
        # The window's mean square is a half.
        powers = energy / np.float32(self._length / 2.0)
        first = self._frames * self._hops_each - self._hops_each // 2
        self._picture.put(first, self._hops_each, self._bands, powers)
        self._frames += frames.shape[1]

    def finish(self) -> NDArray[np.float64]:
        """Energy in each band, shape=(bands,), after what is still held back."""
        left = self._held.shape[1]
        if left:
            # One hop of silence behind the last sample, for its second window.
            self.push(np.zeros((len(self._held), -left % self.hop + self.hop), dtype=np.float32))
        return self._energies


def _band_weights(sample_rate_hz: int, length: int, bands: slice) -> NDArray[np.float64]:
    """Share of each line's energy in each band, shape=(lines, bands); sums |X|^2 of one side to energy of samples."""
    width_hz = sample_rate_hz / length
    lines_hz = np.arange(length // 2 + 1)[:, None] * width_hz
    low_hz, high_hz = midbands_hz()[bands] / _HALF_BAND, midbands_hz()[bands] * _HALF_BAND
    within_hz = np.minimum(lines_hz + width_hz / 2.0, high_hz) - np.maximum(lines_hz - width_hz / 2.0, low_hz)
    sides = np.full((length // 2 + 1, 1), 2.0)
    sides[[0, -1]] = 1.0
    return np.asarray(np.maximum(within_hz, 0.0) / width_hz * sides / length)


class _Picture:
    """Largest powers in steps that double when there would be too many."""

    def __init__(self, most_steps: int) -> None:
        self._most_steps = max(most_steps, 2)
        self.hops_per_step = 1
        self._rows = np.zeros((self._most_steps, len(BANDS_HZ)), dtype=np.float32)
        self._lock = threading.Lock()

    def put(self, first_hop: int, hops_each: int, bands: slice, powers: Powers) -> None:
        """Powers of frames that stand one after the other from `first_hop` on, each for `hops_each`."""
        with self._lock:
            self._put(first_hop, hops_each, bands, powers)

    def _put(self, first_hop: int, hops_each: int, bands: slice, powers: Powers) -> None:
        beyond = first_hop + len(powers) * hops_each
        # Frames of a longer transform reach past the end by up to half of it; `rows` cuts that off.
        while -(-beyond // self.hops_per_step) > self._most_steps:
            self._fold()
        for number, power in enumerate(powers):
            start = max(first_hop + number * hops_each, 0)
            stop = max(first_hop + (number + 1) * hops_each, 0)
            rows = slice(start // self.hops_per_step, -(-stop // self.hops_per_step))
            self._rows[rows, bands] = np.maximum(self._rows[rows, bands], power)

    def _fold(self) -> None:
        padded = np.concatenate([self._rows, np.zeros((len(self._rows) % 2, len(BANDS_HZ)), dtype=np.float32)])
        pairs = padded.reshape(-1, 2, len(BANDS_HZ)).max(axis=1)
        self._rows[:] = 0.0
        self._rows[: len(pairs)] = pairs
        self.hops_per_step *= 2

    def rows(self, hops: int) -> Powers:
        """The steps of the first so many hops."""
        return self._rows[: -(-hops // self.hops_per_step)]
