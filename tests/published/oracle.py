"""One outside oracle: a printed value, its source, its tolerance with the reason for it, and the program's way there.

The same checks feed the tests, the power test and the table of `docs/checked-against.md`.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.published import Published

HALF_A_UNIT = "half a unit of the last printed digit"
SILENCE_DB = -1e9


@dataclass(frozen=True, kw_only=True, eq=False)
class Check:
    """A printed value and the computation it holds to account.

    Parameters
    ----------
    subject : str
        Heading in the table.
    quantity : str
        What is compared, in words; unique within the subject.
    record : Published
        Where the printed value comes from.
    printed : str
        The value as the table shows it.
    nominal, low, high : float
        The value, and the least and largest that agree with it.
    unit : str
    why : str
        Reason for the tolerance.
    compute : callable
        Calls the package; no physics of its own.
    scale : {"linear", "db"}
        How a fault by a factor shows in the value: multiplied, or added as 20 log of the factor.
    faults : tuple of float
        Factors of the power test: with the computed value scaled by any of them the check must fail.
    not_met : str, optional
        Where the program is known to disagree with print: the finding. The check must then fail, or the note is stale.

    """

    subject: str
    quantity: str
    record: Published[Any]
    printed: str
    nominal: float
    low: float
    high: float
    unit: str
    why: str
    compute: Callable[[], float]
    scale: Literal["linear", "db"] = "linear"
    faults: tuple[float, ...] = (0.0, 1.1)
    not_met: str | None = None

    @functools.cached_property
    def computed(self) -> float:
        """What the program says; worked out once."""
        return float(self.compute())

    def agrees(self, value: float) -> bool:
        """Whether a value lies within the tolerance; the last rounding error of the machine is forgiven."""
        slack = 1e-9 * max(abs(self.low), abs(self.high))
        return self.low - slack <= value <= self.high + slack

    def faulty(self, factor: float) -> float:
        """The computed value, were the model wrong by a factor."""
        if self.scale == "linear":
            return self.computed * factor
        return self.computed + (20.0 * math.log10(factor) if factor > 0.0 else SILENCE_DB)

    @property
    def tolerance(self) -> float:
        """Distance from the nominal value to the bound on the computed value's side."""
        return self.high - self.nominal if self.computed >= self.nominal else self.nominal - self.low

    @property
    def is_wide(self) -> bool:
        """Whether the power test needs a larger factor than the usual 1.1."""
        return self.faults != (0.0, 1.1)

    def verify(self) -> None:
        """Fail unless the program agrees with print, or disagrees where it is known to."""
        text = f"{self.quantity}: printed {self.printed} {self.unit}, computed {self.computed:.6g}"
        if self.not_met is None:
            assert self.agrees(self.computed), f"{text}; {self.record.cite()}; allowed {self.low:g} to {self.high:g}"
        else:
            assert not self.agrees(self.computed), f"{text}: met by now, so remove its note: {self.not_met}"

    def verify_power(self) -> None:
        """Fail if the check would pass with the model off by a listed factor."""
        if self.not_met is not None:
            return  # it fails as it is
        assert 0.0 in self.faults
        assert any(factor > 1.0 for factor in self.faults)
        for factor in self.faults:
            value = self.faulty(factor)
            assert not self.agrees(value), f"{self.quantity}: passes at {value:.6g}, the model scaled by {factor:g}"


def about(
    printed: str | float,
    *,
    tolerance: float | None = None,
    relative: float | None = None,
    why: str = HALF_A_UNIT,
    **fields: Any,
) -> Check:
    """A check against a value; the tolerance is half a unit of its last printed digit unless given."""
    nominal = float(printed)
    if relative is not None:
        tolerance = relative * abs(nominal)
    if tolerance is None:
        tolerance = half_a_unit(printed)
    return Check(
        printed=str(printed), nominal=nominal, low=nominal - tolerance, high=nominal + tolerance, why=why, **fields
    )


def within(
    low: float, high: float, *, printed: str | None = None, why: str = "the printed range", **fields: Any
) -> Check:
    """A check against a range."""
    text = printed or f"{low:g} to {high:g}"
    return Check(printed=text, nominal=(low + high) / 2.0, low=low, high=high, why=why, **fields)


def half_a_unit(printed: str | float) -> float:
    """Half a unit of the last digit of a number as written; a float is taken as Python writes it."""
    exponent = Decimal(str(printed)).as_tuple().exponent
    assert isinstance(exponent, int)
    return 0.5 * 10.0**exponent
