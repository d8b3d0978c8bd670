"""Two to six programmes side by side: as played, at equal loudness, at equal peak, and what makes the difference.

Equal means as the lowest of them: every other is turned down to it, so that no level is compared at which an amplifier
clips that did not before.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from auditor.audit_types import FileFault
from auditor.comparison.causes import between
from auditor.comparison.overdrive import overdrive
from auditor.comparison.portrait import at_gain, portray
from auditor.errors import AuditorError
from auditor.programme.entry import Source, as_entry
from auditor.programme.spectrum import BANDS_HZ
from auditor.units import SILENCE_DB, power_to_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.comparison.causes import Cause, Split
    from auditor.comparison.overdrive import Overdriven
    from auditor.comparison.portrait import Portrait, Progress, Standing
    from auditor.rig import Rig
    from auditor.store.store import Store

LEAST, MOST = 2, 6  # programmes
LETTERS = "ABCDEF"


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One programme among the others.

    Parameters
    ----------
    letter : str
        What it is called: A, B and so on, in the order given.
    portrait : Portrait
    equal_loudness, equal_peak : Standing or None
        At the loudness, and the true peak, of the lowest of all; None for silence.
    overdriven : tuple of Overdriven
    """

    letter: str
    portrait: Portrait
    equal_loudness: Standing | None
    equal_peak: Standing | None
    overdriven: tuple[Overdriven, ...]

    @property
    def path(self) -> str:
        """The file."""
        return self.portrait.audit.name

    @property
    def power_db(self) -> float:
        """Largest 60 s of HF power, without protection [dB re 1 W]; nothing for silence."""
        terms = self.portrait.terms
        return SILENCE_DB if terms is None else power_to_db(terms.clipped_w)

    @property
    def split(self) -> Split | None:
        """That power by what brings it."""
        return None if self.portrait.terms is None else self.portrait.terms.split


@dataclass(frozen=True, kw_only=True)
class Difference:
    """The worst programme against another.

    Parameters
    ----------
    other : Compared
    difference_db : float
        By how much the worst one's HF power is larger [dB].
    causes : tuple of Cause
        Largest first; they add up to the difference.
    """

    other: Compared
    difference_db: float
    causes: tuple[Cause, ...]


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """All of them.

    Parameters
    ----------
    rig : Rig
    programmes : tuple of Compared
        In the order given.
    worst : Compared
        Puts most into the HF driver.
    differences : tuple of Difference
        Against every other that is not silent, largest first.
    reference_lufs, reference_dbtp : float or None
        Loudness and true peak that are equal; None where all is silent.
    """

    rig: Rig
    programmes: tuple[Compared, ...]
    worst: Compared
    differences: tuple[Difference, ...]
    reference_lufs: float | None
    reference_dbtp: float | None


def find(
    files: Sequence[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    tell: Callable[[str], None] | None = None,
    earlier_faults: Sequence[FileFault] = (),
    store: Store | None = None,
) -> tuple[Comparison | None, list[FileFault]]:
    """Compare the files, as far as they can be read.

    Parameters
    ----------
    files : sequence of str, Path or Entry
        Two to six.
    rig : Rig
    progress : callable, optional
        Given a file's index, returns the callable that is told how much of it is done.
    tell : callable, optional
        Told what is being done after that.
    earlier_faults : sequence of FileFault
    store : Store, optional
        Where what was played is kept from one run to the next.

    Returns
    -------
    comparison : Comparison or None
        None where fewer than two are left.
    faults : list of FileFault
        Files that could not be analysed, or not to the end.
    """
    faults = list(earlier_faults)
    portraits: list[Portrait] = []
    for index, file in enumerate(files):
        try:
            portrait = portray(file, rig, progress=progress(index) if progress else None, store=store)
        except AuditorError as error:
            faults.append(FileFault(path=as_entry(file).name, message=str(error)))
            continue
        portraits.append(portrait)
        faults += portrait.faults
    if len(portraits) < LEAST:
        return None, faults
    return _comparison(portraits, rig, tell=tell, store=None if store is None else store.for_trials()), faults


def _comparison(
    portraits: list[Portrait], rig: Rig, *, tell: Callable[[str], None] | None, store: Store | None
) -> Comparison:
    audits = [each.audit for each in portraits]
    reference_lufs = min((each.loudness_lufs for each in audits if each.loudness_lufs is not None), default=None)
    reference_dbtp = min((each.true_peak_dbtp for each in audits if each.true_peak_dbtp is not None), default=None)
    programmes = []
    for letter, portrait in zip(LETTERS, portraits, strict=False):
        if tell is not None:
            tell(f"{letter} at other levels")
        audit = portrait.audit
        programmes.append(
            Compared(
                letter=letter,
                portrait=portrait,
                equal_loudness=_at(portrait, rig, audit.loudness_lufs, reference_lufs, store),
                equal_peak=_at(portrait, rig, audit.true_peak_dbtp, reference_dbtp, store),
                overdriven=overdrive(portrait, rig, store=store),
            )
        )
    worst = max(programmes, key=lambda each: each.power_db)
    return Comparison(
        rig=rig,
        programmes=tuple(programmes),
        worst=worst,
        differences=_differences(worst, programmes),
        reference_lufs=reference_lufs,
        reference_dbtp=reference_dbtp,
    )


def _at(
    portrait: Portrait, rig: Rig, present_db: float | None, reference_db: float | None, store: Store | None
) -> Standing | None:
    if present_db is None or reference_db is None or portrait.terms is None:
        return None
    return at_gain(portrait, rig, reference_db - present_db, store=store)


def _differences(worst: Compared, programmes: list[Compared]) -> tuple[Difference, ...]:
    most = worst.portrait.terms
    found = [
        Difference(other=other, difference_db=worst.power_db - other.power_db, causes=between(most, terms))
        for other in programmes
        if other is not worst and most is not None and (terms := other.portrait.terms) is not None
    ]
    return tuple(sorted(found, key=lambda each: -each.difference_db))


def document(comparison: Comparison, *, explanation: Sequence[str]) -> dict[str, Any]:
    """The answer as plain values. `causes` and `hf_power_split` are of the worst against the gentlest."""
    worst, differences = comparison.worst, comparison.differences
    return {
        "reference_lufs": comparison.reference_lufs,
        "reference_dbtp": comparison.reference_dbtp,
        "worst": worst.path,
        "gentlest": differences[0].other.path if differences else None,
        "difference_db": differences[0].difference_db if differences else None,
        "causes": _causes(differences[0]) if differences else [],
        "hf_power_split": _split(worst.split),
        "explanation": list(explanation),
        "bands_hz": list(BANDS_HZ),
        "programmes": [_programme(each) for each in comparison.programmes],
        "differences": [
            {"path": each.other.path, "difference_db": each.difference_db, "causes": _causes(each)}
            for each in differences
        ],
    }


def _causes(difference: Difference) -> list[dict[str, Any]]:
    return [asdict(each) for each in difference.causes]


def _split(split: Split | None) -> dict[str, Any] | None:
    return None if split is None else asdict(split)


def _programme(compared: Compared) -> dict[str, Any]:
    audit, terms = compared.portrait.audit, compared.portrait.terms
    return {
        "letter": compared.letter,
        "path": compared.path,
        "duration_s": audit.duration_s,
        "sample_rate_hz": audit.sample_rate_hz,
        "channel_count": audit.channel_count,
        "verdict": audit.verdict,
        "loudness_lufs": audit.loudness_lufs,
        "true_peak_dbtp": audit.true_peak_dbtp,
        "peak_to_loudness_db": audit.peak_to_loudness_db,
        **asdict(compared.portrait.standing),
        "margin_limited_by": audit.margin_limited_by,
        "clipped_ratio": max(channel.clipped_ratio for channel in audit.channels),
        "hf_power_split": _split(compared.split),
        "terms": None if terms is None else asdict(terms),
        "equal_loudness": None if compared.equal_loudness is None else asdict(compared.equal_loudness),
        "equal_peak": None if compared.equal_peak is None else asdict(compared.equal_peak),
        "overdriven": [asdict(each) for each in compared.overdriven],
        "band_level_dbfs": [float(level) for level in compared.portrait.band_level_dbfs],
    }
