"""Writes `docs/formats.md`: the same audio in each format, read and judged; with `--check`, exits 1 where it differs.

The check is not part of the automatic run: encoders differ between releases in the last hundredths of a decibel.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "formats.md"
sys.path.insert(0, str(ROOT))

if TYPE_CHECKING:
    from auditor.audit_types import Audit

HEAD = """# Formats

<!-- The table is written by docs/make_formats.py; do not edit this page but there. -->

WAV, AIFF, FLAC, Ogg, Opus, MP3, CAF, W64 and their kin are read by libsndfile. What it does not know is read by
FFmpeg's libraries, which come with the Python package `av`: nothing else has to be installed. What a file is, is found
from its content; a wrong suffix does no harm.

| read by | formats |
|---|---|
| libsndfile | WAV, RF64, W64, AIFF, CAF, AU, FLAC, Ogg Vorbis, Opus, MP2, MP3, VOC |
| FFmpeg | M4A, M4B, MP4, M4V, MOV, 3GP, MKV, MKA, WebM, WMA, WMV, bare AAC, AC-3, E-AC-3, any coding |

Never read: playlists of streams, addresses, or anything outside the file. Not read: Monkey's Audio, WavPack, AVI,
MPEG programme and transport streams; convert them to WAV or FLAC.

## The same audio in each format

A demonstration clip of music as mixed (03, 10 s, 48 kHz, 24 bit), encoded by libsndfile and by PyAV, read back and
judged on the demonstration rig. *HF rms*: of the HF branch's voltage, the worst channel's change against the WAV.
*Margin*: its change.
Lossless formats must agree exactly, lossy ones within 0.3 dB at these bit rates; a test holds both. WMA 1 misses that:
it moves peaks, and the margin is bound by one.
*Shift*: how much later the sound lies than in the WAV. *Length*: samples more than in the WAV.

| format | stored by | samples | HF rms [dB] | margin [dB] | shift [samples] | length |
|---|---|---|---:|---:|---:|---:|
"""
TAIL = """
**This is not so of every programme and bit rate.** An encoder changes the wave, and a margin bound by peaks changes
with it: the squashed clip (04), which runs at full scale, lost 0.4 dB of HF rms in Vorbis and 0.3 dB in AAC, and
its margin moved by up to 2.4 dB (AAC at 192 kbit/s), 0.8 dB (MP3) and 0.4 dB (Opus, Vorbis). Of all seven clips by
FFmpeg's encoders of MP3, AAC and Opus it moved by -4.6 to +1.5 dB at 96 to 192 kbit/s, and by -3.3 to +4.4 dB at 32 to
64. That is in the file, not in the reading of it: the audit tells of the file as it is. Judge the file that will be
played.

## Delay and padding of encoders

Lossy encoders put a few milliseconds before the sound and fill up the last packet. What the container tells of it is
taken off; what it does not tell stays. It is silence, so no verdict depends on it.

- **MP4, M4A, MOV**: the delay by the edit list, or by the gapless tag of files from a music library (FFmpeg); the
  end where the edit list ends, to the millisecond that many writers round to.
- **MKV, WebM**: the codec delay and the discarded end that the file states (Opus). AAC's padding at the end stays.
- **WMA**: FFmpeg takes two blocks off the beginning, 93 ms at 44.1 kHz, for the delay of the usual encoder. Files from
  FFmpeg's own encoder have one block of delay only: their first 46 ms are not heard.
- **Bare AAC, AC-3**: tell nothing; the sound comes 5 to 48 ms late.
- **MP3, Ogg, Opus**: by libsndfile.

Time in reports counts from the first sample of the sound. Where a video's sound begins after its picture, so much
must be added to find the place in a player.

## What else to know

- **Several sound tracks**: the one marked as default is analysed, else the first; a warning says how many there are.
- **Video**: folders give their video files too (`.mp4`, `.m4v`, `.mov`, `.mkv`, `.webm`, `.wmv`, `.3gp`), since a clip
  with music may be played like any other track. One without sound is an error of its own; the rest is done.
- **MP3 that does not tell its length** (no Xing, Info or VBRI tag in the first frame, or more bytes than that says, as
  of files joined end to end) is read by FFmpeg, which decodes whatever there is. libsndfile would stop where the first
  frames let it guess the end. Whether such a file was cut off cannot be known.
- **Places in the middle of a file**, which the margin reads again and a CUE sheet cuts at, give the samples that a
  reading from the beginning gives: to the last bit, of MP3 to 2e-7 of full scale. A frame of MP3 may begin in frames
  before it, so twelve are decoded first. Opus for speech (under some 50 kbit/s) remembers more than any run-up brings:
  up to 0.02 of full scale off.
- **A damaged place in a FLAC file**: libsndfile goes no further, and FFmpeg reads on behind it. The damaged frame is
  left out, some 0.1 s, and said to be **not judged**; rows of samples behind it are not read again for the margin,
  which is then up to some tenths of a decibel less exact. In an MP3 file all that is behind is **not judged** and said
  to be missing, though a player may go on. In Ogg files libsndfile leaves out the damaged page, and the same length is
  said to be missing at the end. Exit status 2 in each case: copy the file again.
- **Damaged packets** of what FFmpeg reads, and gaps of more than 0.1 s between time stamps, count as silence and are
  **not judged**: the report says how much, exit status 2. Where the coding has check sums (FLAC in Matroska, AC-3,
  E-AC-3), every packet is held against them. Elsewhere a damaged packet that still decodes to something is not
  noticed: of 60 bytes changed in a file, FFmpeg told of 7 packets in ALAC, which has no check sums, and of none in WMA.
- **CUE sheets** cut every format to the sample. What FFmpeg reads is decoded in one go through the tracks, for
  after a seek the samples may differ: 30 tracks of ten minutes of AAC took 1.4 s of processor time, the whole of it
  1.1 s. For one late track alone, all that is before it is decoded too.
- **Cut-off files**: an MP4 or M4A without its index cannot be read at all. Others are analysed as far as they go, and
  what is missing is told where the file states its length: not bare AAC and AC-3, nor MKV with a picture.
- **Sampling rate or channels that change** within a file: analysed up to there, the rest is **not judged**. Nothing is
  ever resampled.
- **WMA Lossless and WMA Professional** are decoded by FFmpeg, and untested: there is no encoder to make a file with.
- **Copy protection** (M4P, protected WMA): refused.
- **Progress** is not shown for bare AAC and AC-3 and for MKV with a picture, which do not tell how long the sound is.
- **Margins near clipping** read stretches of the file again. After a seek, every frame must agree with the first pass;
  coders that fill bands with noise (many AAC files, AC-3) fail that, so such files are decoded from the beginning, once
  per round of the search and channel: a two-hour AAC file then takes some seconds more per round.
"""


def _row(name: str, by: str, lossless: bool, audited: Audit, reference: Audit, shift: int, longer: int) -> str:
    from tests.stages.made_formats import hf_change_db, margin_change_db

    cells = (name, by, "the same" if lossless else "lossy", f"{hf_change_db(audited, reference):+.2f}",
             f"{margin_change_db(audited, reference):+.2f}", str(shift), f"{longer:+d}")  # fmt: skip
    return "| " + " | ".join(cells).replace("+0.00", "0.00").replace("-0.00", "0.00").replace("+0 |", "0 |") + " |"


def page() -> str:
    """The whole document."""
    from auditor import audit, demo, load_rig
    from tests.stages.made_formats import LIBSNDFILE, PYAV, encode, material, read, shift

    rig, rows = load_rig(demo.demo_rig_path()), []
    samples, rate_hz = material()
    with tempfile.TemporaryDirectory() as folder:
        reference: Audit | None = None
        for number, form in enumerate(LIBSNDFILE + PYAV):
            path = encode(Path(folder) / f"{number}{form.suffix}", samples, rate_hz, form)
            audited = audit(path, rig)
            reference = reference or audited
            stored = read(path)
            late = shift(stored, samples)
            rows.append(_row(form.name, form.by, form.lossless, audited, reference, late, len(stored) - len(samples)))
    return HEAD + "\n".join(rows) + "\n" + TAIL


def main() -> int:
    """Write the page, or compare it."""
    text = page()
    if "--check" in sys.argv[1:]:
        return int(PAGE.read_text(encoding="utf-8") != text)
    PAGE.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
