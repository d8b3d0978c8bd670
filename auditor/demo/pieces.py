"""The programme of the evening: every clip of the demonstration set, in order, with its file format."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from auditor.demo import acoustic, dance, drum_solo, talk
from auditor.demo.mixing import Samples


class Synthesis(Protocol):
    """A function that plays a whole piece and returns samples of shape=(channels, n)."""

    def __call__(self, *, sample_rate_hz: int) -> Samples: ...


@dataclass(frozen=True, kw_only=True)
class Clip:
    """One file of the set.

    Attributes
    ----------
    file_name : str
    sample_rate_hz : int
    channels : int
    subtype : str
        libsndfile's name of the sample format.
    synthesise : callable
    """

    file_name: str
    sample_rate_hz: int
    channels: int
    subtype: str
    synthesise: Synthesis

    @property
    def lossless(self) -> bool:
        """Whether the file holds the very 16-bit samples that were synthesised."""
        return self.subtype == "PCM_16"

    def samples(self) -> Samples:
        """Return the piece, shape=(channels, n)."""
        return self.synthesise(sample_rate_hz=self.sample_rate_hz)


def _clip(
    file_name: str, synthesise: Callable[..., Samples], *, rate: int, channels: int, subtype: str = "PCM_16"
) -> Clip:
    return Clip(file_name=file_name, sample_rate_hz=rate, channels=channels, subtype=subtype, synthesise=synthesise)


CLIPS = (
    _clip("01-steward-announcement.flac", talk.announcement, rate=48000, channels=1),
    _clip("02-gleaners-air.ogg", acoustic.gleaners_air, rate=44100, channels=2, subtype="VORBIS"),
    _clip("03-lantern-wheel-as-mixed.flac", dance.before, rate=44100, channels=2),
    _clip("04-lantern-wheel-squashed.flac", dance.after, rate=44100, channels=2),
    _clip("05-drummers-turn.flac", drum_solo.solo, rate=48000, channels=1),
    _clip("06-talkback-squeal.wav", talk.feedback, rate=44100, channels=1),
    _clip("07-line-check-left-on.flac", talk.line_check, rate=48000, channels=1),
)
