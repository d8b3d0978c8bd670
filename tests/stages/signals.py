"""Programme material and reference computations that the accuracy tests share.

The references use general-purpose libraries in double precision and nothing of the package's own signal path.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import fft, signal

from auditor import demo

if TYPE_CHECKING:
    from pathlib import Path

    from auditor.chain.splitter import HfFrames

Samples = NDArray[np.float32]
Exact = NDArray[np.float64]

DEMO = [path.name[:2] for path in demo.demo_paths()]


def demo_path(start: str) -> Path:
    """The demo clip whose name starts so."""
    return next(path for path in demo.demo_paths() if path.name.startswith(start))


@functools.cache
def demo_clip(start: str, *, from_s: float = 0.0, seconds: float = 6.0) -> tuple[Samples, int]:
    """First channel of a stretch of a demo clip, with its sampling rate."""
    with soundfile.SoundFile(demo_path(start)) as sound:
        sound.seek(round(from_s * sound.samplerate))
        samples = sound.read(round(seconds * sound.samplerate), dtype="float32", always_2d=True)
        return np.ascontiguousarray(samples[:, 0]), sound.samplerate


@functools.cache
def music(rate_hz: int, *, seconds: float = 5.0, seed: int = 1) -> Samples:
    """Kick, bass line, chords, hats and a noise bed: full band, with transients; peak at full scale."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    beat, eighth = t % 0.5, t % 0.25
    kick = np.exp(-beat / 0.12) * np.sin(2 * np.pi * (50 * beat + 4 * (1 - np.exp(-beat / 0.03))))
    bass = signal.sawtooth(2 * np.pi * np.choose((t // 1.0).astype(int) % 4, [55.0, 65.4, 49.0, 73.4]) * t) * 0.3
    chord = sum(signal.square(2 * np.pi * hz * t) for hz in (220.0, 277.2, 329.6, 440.7)) * 0.08
    noise = rng.standard_normal(len(t))
    hats = np.exp(-eighth / 0.03) * np.diff(noise, prepend=0.0) * 0.25
    mix = kick + bass + chord + hats + 0.02 * noise
    return (mix / np.abs(mix).max()).astype(np.float32)


def tone(rate_hz: int, frequency_hz: float, seconds: float, amplitude: float = 1.0) -> Samples:
    """A steady sine."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return (amplitude * np.sin(2 * np.pi * frequency_hz * t)).astype(np.float32)


def analogue_high_pass(alignment: str, order: int, frequency_hz: float, at_hz: Exact) -> NDArray[np.complex128]:
    """Response of the analogue prototype by scipy, nought at 0 Hz."""
    if alignment == "none":
        return np.ones(len(at_hz), dtype=complex)
    if alignment == "linkwitz-riley":
        return analogue_high_pass("butterworth", order // 2, frequency_hz, at_hz) ** 2
    design: dict[str, Any] = {"btype": "highpass", "analog": True, "output": "zpk"}
    corner = 2 * np.pi * frequency_hz
    if alignment == "bessel":
        zpk = signal.bessel(order, corner, norm="mag", **design)
    else:
        zpk = signal.butter(order, corner, **design)
    return np.asarray(signal.freqs_zpk(*zpk, worN=2 * np.pi * at_hz)[1])


class WholeFile:
    """A signal's HF branch by one double-precision transform of all of it, padded so that nothing wraps round."""

    def __init__(self, samples: NDArray[np.floating], rate_hz: int) -> None:
        self.length, self.rate_hz = len(samples), rate_hz
        self._padded = fft.next_fast_len(self.length + rate_hz // 2, real=True)
        self._spectrum = fft.rfft(np.asarray(samples, dtype=np.float64), self._padded)
        self._at_hz = fft.rfftfreq(self._padded, 1.0 / rate_hz)

    def branch(self, alignment: str, order: int, frequency_hz: float) -> Exact:
        """Voltage of the HF branch, sample by sample."""
        response = analogue_high_pass(alignment, order, frequency_hz, self._at_hz)
        return np.asarray(fft.irfft(self._spectrum * response, self._padded)[: self.length])


def framed(branch: Exact, frame_length: int) -> tuple[Exact, Exact]:
    """rms and peak of each frame, the last filled up with silence."""
    frames = np.concatenate([branch, np.zeros(-len(branch) % frame_length)]).reshape(-1, frame_length)
    return np.sqrt(np.mean(frames**2, axis=1)), np.abs(frames).max(axis=1)


def level_db(ratio: NDArray[np.floating] | float) -> Any:
    """Ratio of voltages in dB."""
    return 20.0 * np.log10(ratio)


def overall_rms(frames: HfFrames) -> float:
    """rms over all frames."""
    return float(np.sqrt(np.mean(np.square(frames.rms_v, dtype=np.float64))))


def write_wav(path: Path, samples: NDArray[np.floating], rate_hz: int) -> Path:
    """A float file; shape=(n,) or (n, channels)."""
    soundfile.write(path, samples, rate_hz, subtype="FLOAT")
    return path
