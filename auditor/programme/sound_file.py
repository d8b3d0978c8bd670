"""What is known of a sound file before it is read, and what turns up while it is read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from auditor.programme.av_index import Index
    from auditor.programme.entry import Entry, Source


@dataclass(frozen=True, kw_only=True)
class Programme:
    """A sound file that can be opened.

    Parameters
    ----------
    path : str
    sample_rate_hz, channel_count : int
    declared_length : int or None
        Samples per channel that the stretch should hold by what the file says; None when it does not say.
    file_length : int or None
        The same of the whole file.
    end_lost : bool
        Whether the file lacks the mark that its format puts at the end.
    headroom_db : float
        How far beyond full scale its samples may go [dB]: nought for whole numbers; lossy and floating-point files
        are taken to stay under 12 dB.
    lossy_kbps : float or None
        Rate of a lossy coding [kbit/s], all channels together; None where it is lossless, or not known.
    is_flac : bool
        Whether it is a FLAC file, which FFmpeg goes on reading behind a damaged place.
    remarks : tuple of str
        What else is to be told of it.
    index : Index or None
        Set where `decode_av` reads it.
    first, length : int
        The stretch that is read of it, in samples per channel; None for `length`: to the end.
    entry : Entry or None
        What it was named by, with its trim and where the fader stands for it.
    sure_to : int or None
        Sample behind which the file is not read again: there it is damaged, and nobody knows by how much what
        follows has moved.
    mono_gain_db : float or None
        Gain against the mean of its channels where they are played as one sum; None where each is played by itself.
    """

    path: str
    sample_rate_hz: int
    channel_count: int
    declared_length: int | None
    file_length: int | None = None
    end_lost: bool = False
    headroom_db: float = 0.0
    lossy_kbps: float | None = None
    is_flac: bool = False
    remarks: tuple[str, ...] = ()
    index: Index | None = field(default=None, compare=False, repr=False)
    first: int = 0
    length: int | None = None
    entry: Entry | None = None
    sure_to: int | None = None
    mono_gain_db: float | None = None

    @property
    def feed_count(self) -> int:
        """Channels that blocks have: the file's own, or one where it is summed."""
        return self.channel_count if self.mono_gain_db is None else 1

    @property
    def source(self) -> Source:
        """What to read it by again."""
        return self.entry or self.path

    @property
    def name(self) -> str:
        """What no other track of a set is called."""
        return self.entry.name if self.entry else self.path

    @property
    def gain_ratio(self) -> float:
        """What every sample is multiplied by."""
        return db_to_amplitude(self.entry.change_db if self.entry else 0.0)


@dataclass
class Finding:
    """What turned up while the samples were read."""

    length: int = 0  # samples per channel
    unusable: int = 0  # samples that are not numbers, infinite or absurdly large
    broken_off: bool = False  # there should be more than could be read
    short_by: int = 0  # samples per channel that are missing, where it is known
    damaged_at: int | None = None  # where a damaged place was passed over, in samples per channel
    changed: str | None = None  # what became different within the file, so that the rest was not read
