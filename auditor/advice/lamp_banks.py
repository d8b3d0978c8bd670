"""The banks that are tried: every lamp of the list, one or two in series by one to four in parallel."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

from auditor.parts import lamps
from auditor.protection import lamp, of_keys

if TYPE_CHECKING:
    from auditor.protection.lamp import Lamp
    from auditor.rig import Rig

SERIES_COUNTS = (1, 2)
PARALLEL_COUNTS = (1, 2, 3, 4)


@dataclass(frozen=True, kw_only=True)
class Bank:
    """Equal lamps in series and parallel.

    Parameters
    ----------
    settings : Lamp
        With the first part of that rating in the list.
    also : tuple of str
        The other parts of the very same rating, which do the very same.
    """

    settings: Lamp
    also: tuple[str, ...] = ()

    @property
    def lamps(self) -> int:
        """How many lamps it takes."""
        return self.settings.series_count * self.settings.parallel_count

    @property
    def parts(self) -> int:
        """How many parts of the list it stands for."""
        return 1 + len(self.also)

    def is_fitted(self, rig: Rig) -> bool:
        """Whether the rig has such a bank, by whatever name."""
        fitted = rig.protection
        return isinstance(fitted, lamp.Lamp) and replace(fitted, part=None) == replace(self.settings, part=None)


def every_bank() -> list[Bank]:
    """All of them, in the order of the list; parts of one rating stand together."""
    ratings: dict[Lamp, list[str]] = {}
    for part in lamps():
        settings = of_part(part)
        ratings.setdefault(replace(settings, part=None), []).append(part)
    return [
        Bank(
            settings=replace(rating, part=parts[0], series_count=series, parallel_count=parallel),
            also=tuple(parts[1:]),
        )
        for rating, parts in ratings.items()
        for series in SERIES_COUNTS
        for parallel in PARALLEL_COUNTS
    ]


def of_part(part: str) -> Lamp:
    """A single lamp of the list, what its row leaves out assumed by its class."""
    return cast("Lamp", of_keys("lamp", part=part))


def of_rating(voltage_v: float, power_w: float) -> Lamp:
    """A single lamp by volts and watts, the rest assumed by its class."""
    return cast("Lamp", of_keys("lamp", design_voltage_v=voltage_v, design_current_a=power_w / voltage_v))
