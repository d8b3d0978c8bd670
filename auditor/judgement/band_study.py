"""What each assumed value by itself does to each quantity that has a limit, and what follows for all of them at once.

Effects are taken to add up: which positions are careful and which easy goes by their signs, and the positions that
spare two quantities at once by a linear programme.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from auditor.audit_types import Cause

_NEAR_DB = 3.0  # quantities that may come that near to the one that decides are worked out too
_FAR_DB = 60.0  # a quantity that far under its limit decides nothing
# A quantity of the channel with the part as rated or at an end of its tolerance.
Spot = tuple[int, "Cause"]


@dataclass(frozen=True, kw_only=True)
class Study:
    """What each value does to each quantity at one gain, in decibels of gain: what its excess is worth there.

    nominal_db : mapping
        Excess with every value as assumed.
    moves_db : mapping
        By quantity and key, the change of its excess at each position; nought at nought.
    """

    nominal_db: Mapping[Spot, float]
    moves_db: Mapping[Spot, Mapping[str, Mapping[float, float]]]

    def push(self, spot: Spot, key: str, *, careful: bool) -> tuple[float, float]:
        """The position that pushes a quantity up most, or down most, and by how much [dB]."""
        pick = max if careful else min
        return pick(self.moves_db[spot][key].items(), key=lambda move: move[1])

    def corner(self, spot: Spot, *, careful: bool, known: str | None) -> dict[str, float]:
        """All positions that do so, but for a value that is known."""
        found = {key: self.push(spot, key, careful=careful)[0] for key in self.moves_db[spot] if key != known}
        return {key: position for key, position in found.items() if position}

    def corners(self, *, careful: bool, known: str | None) -> dict[Spot, dict[str, float]]:
        """Those of the quantities that may decide when every value stands so, by the sum of what each does."""
        sums_db = {
            spot: nominal_db
            + sum(self.push(spot, key, careful=careful)[1] for key in self.moves_db[spot] if key != known)
            for spot, nominal_db in self.nominal_db.items()
        }
        least_db = max(sums_db.values()) - _NEAR_DB
        deciding = [spot for spot, sum_db in sums_db.items() if sum_db >= least_db]
        return {spot: self.corner(spot, careful=careful, known=known) for spot in deciding}

    def compromise(self, keys: list[str]) -> dict[str, float]:
        """Positions at which the worst quantity is least: a linear programme, as if effects were straight and added."""
        import numpy as np
        from scipy.optimize import linprog

        spots = [spot for spot, nominal_db in self.nominal_db.items() if nominal_db > -_FAR_DB]
        rows = [[*(self.moves_db[spot][key][end] for end in (-1.0, 1.0) for key in keys), -1.0] for spot in spots]
        limits = [-self.nominal_db[spot] for spot in spots]
        bounds = [(0.0, 1.0)] * (2 * len(keys)) + [(None, None)]
        target = np.zeros(2 * len(keys) + 1)
        target[-1] = 1.0
        solved = linprog(target, A_ub=rows, b_ub=limits, bounds=bounds)
        if not solved.success:
            return {}
        down, up = solved.x[: len(keys)], solved.x[len(keys) : -1]
        return {key: float(position) for key, position in zip(keys, up - down, strict=True) if abs(position) > 1e-6}
