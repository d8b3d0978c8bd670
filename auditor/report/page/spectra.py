"""The third octaves of every track for the page: one more pass over each file, two files at a time."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING

from auditor.errors import AuditorError
from auditor.programme.spectrum import spectrum
from auditor.threads import THREADS

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import SetAudit
    from auditor.programme.entry import Source
    from auditor.programme.spectrum import Spectrum


def of_tracks(set_audit: SetAudit, *, tell: Callable[[str], None]) -> list[Spectrum | str]:
    """For each track its spectrum, or in words why there is none.

    Parameters
    ----------
    set_audit : SetAudit
    tell : callable
        Told what is being done.
    """
    sources = [track.source for track in set_audit.tracks]
    if set_audit.interrupted:  # whoever stops the work by hand is not kept waiting
        return ["stopped by hand"] * len(sources)
    found = []
    look = partial(_spectrum, mono_gain_db=set_audit.rig.level.mono_gain_db)
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        for number, each in enumerate(pool.map(look, sources), start=1):
            tell(f"third octaves for the page: {number} of {len(sources)}")
            found.append(each)
    return found


def _spectrum(source: Source, *, mono_gain_db: float | None) -> Spectrum | str:
    try:
        return spectrum(source, mono_gain_db=mono_gain_db)
    except (AuditorError, OSError) as error:  # the audit has read the file; it may have gone since
        return str(error)
