"""The programme up to the HF branch, decoded and split once for every question that follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor.chain.play import Played, play_each

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.audit_types import FileFault
    from auditor.programme.entry import Source
    from auditor.rig import Rig
    from auditor.store.store import Store

    Progress = Callable[[float], None]


@dataclass(frozen=True, kw_only=True)
class Material:
    """Tracks that have been through mixer, amplifier and crossover.

    Parameters
    ----------
    rig : Rig
        What they went through; its protection is not part of that, nor the driver but for its impedance.
    tracks : tuple of Played
        Without the ladder of other gains: no margin can be had from them.
    faults : tuple of FileFault
        Files that could not be analysed, or not to the end.
    interrupted : bool
        Whether somebody stopped it; then the tracks are those finished.
    """

    rig: Rig
    tracks: tuple[Played, ...]
    faults: tuple[FileFault, ...]
    interrupted: bool = False


def gather(
    programmes: Sequence[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    earlier_faults: Sequence[FileFault] = (),
    store: Store | None = None,
) -> Material:
    """Play every file up to the HF branch.

    Parameters
    ----------
    programmes : sequence of str or Path
    rig : Rig
    progress : callable, optional
        Given a track's index, returns the callable that is told how much of it is done.
    earlier_faults : sequence of FileFault
        Faults found before any file was opened, to stand in the result.
    store : Store, optional
        Where what was played is kept from one run to the next.
    """
    tracks: list[Played] = []
    faults = list(earlier_faults)
    interrupted = play_each(
        programmes, rig, tracks.append, faults=faults, progress=progress, with_ladder=False, store=store
    )
    return Material(rig=rig, tracks=tuple(tracks), faults=tuple(faults), interrupted=interrupted)
