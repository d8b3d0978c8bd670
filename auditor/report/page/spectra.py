"""The third octaves of every track for the page: from the store, or one more pass over the file, two at a time."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING

from auditor.chain.recall import recalled_spectrum
from auditor.errors import AuditorError
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import SetAudit
    from auditor.programme.entry import Source
    from auditor.programme.spectrum import Spectrum
    from auditor.store.store import Store

STOPPED = "stopped by hand"


def of_tracks(set_audit: SetAudit, *, tell: Callable[[str], None], store: Store | None = None) -> list[Spectrum | str]:
    """For each track its spectrum, or in words why there is none.

    Parameters
    ----------
    set_audit : SetAudit
    tell : callable
        Told what is being done.
    store : Store, optional
        Asked first, and given what is measured.
    """
    sources = [track.source for track in set_audit.tracks]
    if set_audit.interrupted:  # whoever stops the work by hand is not kept waiting
        return [STOPPED] * len(sources)
    found = []
    look = partial(_spectrum, store=store, mono_gain_db=set_audit.rig.level.mono_gain_db)
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        for number, each in enumerate(pool.map(look, sources), start=1):
            tell(f"third octaves for the page: {number} of {len(sources)}")
            found.append(each)
    return found


def _spectrum(source: Source, *, store: Store | None, mono_gain_db: float | None) -> Spectrum | str:
    try:
        return recalled_spectrum(store, source, mono_gain_db=mono_gain_db)
    except (AuditorError, OSError) as error:  # the audit has read the file; it may have gone since
        return str(error)
