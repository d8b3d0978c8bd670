"""What the header of a sound file says: rate, channels, length, and which stretch of it an entry means.

What is missing from a file is found where the file tells: by the length that its header claims (WAV, W64, RF64, AIFF,
AU, FLAC, MP3 with a length tag) or by its end mark (Ogg). An MP3 without a length tag that was cut off looks whole.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace

import soundfile

from auditor.errors import ProgrammeError
from auditor.programme.entry import Entry, Source, as_entry, clock
from auditor.programme.files import refuse_unreadable
from auditor.programme.mp3_header import tells_its_length
from auditor.programme.sound_file import Programme

_LOSSY = ("VORBIS", "OPUS", "MPEG")  # libsndfile's names of such codings
_BEYOND_FULL_SCALE = ("FLOAT", "DOUBLE", *_LOSSY)
_HEADROOM_DB = 12.0
_MP3_RUN_UP = 12 * 1152  # samples: a dozen of its frames
MP3_NEAR = 2 * _MP3_RUN_UP
_COPY_HINT = "copy or export it again from its source"

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4_000, 768_000  # below, the loudness filters are undefined and no HF is left

# What libsndfile says of a file whose header claims more than the file holds, before it goes by what there is.
_CLAIM = re.compile(r"^ *(?:data|SSND|Data Size|riff|Riff size) *: (\d+) \(should be (\d+)\)", re.MULTILINE)
_NO_OGG_END = "Last page lacks an end-of-stream bit"
# Programs that write into a pipe cannot know the length and put one of these, or nearly, in its place.
_LENGTH_UNKNOWN = (range(0x7FFF_F000, 0x8000_0000), range(0xFFFF_F000, 0x1_0000_0000))
_FRAMES_UNKNOWN = 1 << 62  # libsndfile's count for a FLAC file that does not state its own is beyond this
_NOT_SOUND = (1, 7)  # libsndfile: format not recognised, and what its MP3 reader says to the same


def inspect(source: Source, *, mono_gain_db: float | None = None) -> Programme:
    """Look at a file's header.

    Parameters
    ----------
    source : str, Path or Entry
        The length of an entry that cuts a file is that of the cut.
    mono_gain_db : float, optional
        Play the sum of its channels, at this gain against their mean [dB]; see `Level.mono_gain_db`.

    Raises
    ------
    ProgrammeError
        If the file is missing, unreadable, empty, not sound, holds no samples, or ends before the cut begins.
    """
    entry = as_entry(source)
    where = entry.path
    refuse_unreadable(where)
    try:
        with open_sound(where) as sound:
            programme = Programme(
                path=where,
                sample_rate_hz=sound.samplerate,
                channel_count=sound.channels,
                declared_length=_declared_length(sound),
                end_lost=_NO_OGG_END in sound.extra_info,
                headroom_db=_HEADROOM_DB if sound.subtype.startswith(_BEYOND_FULL_SCALE) else 0.0,
                lossy_kbps=_lossy_kbps(where, sound),
                is_flac=sound.format == "FLAC",
            )
            # libsndfile takes any bytes for headerless telephone sound if they are called .au, .snd, .vox or .gsm.
            elsewhere = sound.format == "RAW"
            guessed = sound.format == "MP3" and not tells_its_length(where)
    except soundfile.LibsndfileError as error:
        if error.code not in _NOT_SOUND:
            reason = error.error_string.rstrip(".")
            raise ProgrammeError(f"is damaged or cut off: {reason}", where=where, hint=_COPY_HINT) from None
        elsewhere, guessed = True, False
    except OSError as error:
        raise ProgrammeError(f"cannot be read: {error.strerror}", where=where, hint=_COPY_HINT) from None
    except (RuntimeError, TypeError):
        elsewhere, guessed = True, False
    if elsewhere or guessed:
        from auditor.programme import decode_av

        programme = decode_av.inspect(where, known="mp3" if guessed else None)
    if programme.declared_length == 0:
        raise ProgrammeError("holds no samples", where=where, hint=_COPY_HINT)
    if not LOWEST_RATE_HZ <= programme.sample_rate_hz <= HIGHEST_RATE_HZ:
        raise ProgrammeError(
            "has a sampling rate out of range",
            where=where,
            got=f"{programme.sample_rate_hz} Hz",
            allowed=f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
            hint="export it again at 44100 Hz or more",
        )
    return _mixed(_cut(programme, entry), mono_gain_db)


def _mixed(programme: Programme, mono_gain_db: float | None) -> Programme:
    if mono_gain_db is None:
        return programme
    headroom_db = max(0.0, programme.headroom_db + mono_gain_db)
    return replace(programme, mono_gain_db=mono_gain_db, headroom_db=headroom_db)


def _cut(programme: Programme, entry: Entry) -> Programme:
    """The stretch of the file that the entry means."""
    rate, whole = programme.sample_rate_hz, programme.declared_length
    first = round(entry.start_s * rate)
    if whole is not None and first >= whole:
        what = f"begins at {clock(entry.start_s)}, and the file ends at {clock(whole / rate)}"
        raise ProgrammeError(what, where=entry.name, hint="is it the CUE sheet of another file?")
    length = None if entry.end_s is None else round(entry.end_s * rate) - first
    if length is not None and length <= 0:
        raise ProgrammeError("is cut to nothing", where=entry.name, hint="put the indexes of the CUE sheet right")
    rest = None if whole is None else whole - first
    return replace(
        programme,
        first=first,
        length=length,
        declared_length=rest if length is None else length,
        file_length=whole,
        end_lost=programme.end_lost and length is None,
        headroom_db=max(0.0, programme.headroom_db + entry.change_db),
        entry=entry,
    )


class Sound(soundfile.SoundFile):  # type: ignore[misc]
    """A file that is read from where it stands.

    soundfile seeks to where it is after every read, unless a file cannot be sought in. Of an MP3 file at low bit rates
    libsndfile then gives wrong samples (`stand_at`), some 50 ms of each block.
    """

    def seekable(self) -> bool:
        return False


def open_sound(path: str) -> Sound:
    """Open what libsndfile reads."""
    # As bytes: a name need not be valid UTF-8, and soundfile insists on that of text.
    return Sound(path if os.name == "nt" else os.fsencode(path))


def stand_at(sound: Sound, sample: int) -> None:
    """Go to a place in a file, so that what is read from there on is what a reading from the beginning would give.

    A frame of an MP3 file may begin in those before it, as many as nine at low bit rates; libsndfile decodes from where
    the seek leads, and gives other samples until it has caught up. Where a seek leads to near the place at which it
    stands, it gives wrong ones altogether. So it comes from afar, and some frames ahead.

    Parameters
    ----------
    sound : Sound
        Just opened, where the place is less than `MP3_NEAR` from the beginning.
    sample : int
    """
    if sound.format != "MP3":
        sound.seek(sample)
    elif sample < MP3_NEAR:
        sound.read(sample, dtype="float32")
    else:
        sound.seek(0)
        sound.seek(sample - _MP3_RUN_UP)
        sound.read(_MP3_RUN_UP, dtype="float32")


def _lossy_kbps(where: str, sound: Sound) -> float | None:
    """By the whole file, pictures in its tags included, over its length."""
    if not sound.subtype.startswith(_LOSSY) or not 0 < sound.frames < _FRAMES_UNKNOWN:
        return None
    return float(os.path.getsize(where) * 8 / 1000 / (sound.frames / sound.samplerate))


def _declared_length(sound: soundfile.SoundFile) -> int | None:
    length = int(sound.frames)
    if length > _FRAMES_UNKNOWN:
        return None
    claim = _CLAIM.search(sound.extra_info)
    if claim is None:
        return length
    claimed_bytes, held_bytes = map(int, claim.groups())
    if any(claimed_bytes in unknown for unknown in _LENGTH_UNKNOWN):
        return None if length else 0
    return length * claimed_bytes // held_bytes if held_bytes else 0
