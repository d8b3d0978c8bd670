"""Whether a lower level is less safe: a part that opens protects only for as long as it does.

Turned down, a programme may no longer open a fuse, a breaker, a resettable part or a relay and still be more than the
driver stands for long. The margin names the nearest limit from the present level; here the levels below it are tried.
Behind a limiter each trial would be a replay of the whole file; there it is not looked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.audit_types import QuieterRisk
from auditor.judgement.margin import trial_channel
from auditor.protection import opens

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.judgement.margin import Line
    from auditor.judgement.worst import Excess

# Below the lower of the present level and the margin. A part that is closed 20 dB down does nothing any more.
STEPS_DB = (-0.5, -1.0, -1.5, -2.0, -3.0, -4.0, -5.0, -6.0, -8.0, -10.0, -13.0, -16.0, -20.0)


def quieter_risk(lines: Sequence[Line], margin_db: float | None) -> QuieterRisk | None:
    """Levels below the present one, and below the margin, at which something is at risk; None where there are none.

    Parameters
    ----------
    lines : sequence of Line
    margin_db : float or None
        As `auditor.judgement.margin.margin` gives it.
    """
    rig = lines[0].rig
    if not opens(rig.protection) or rig.limiters:
        return None
    channels = [trial_channel(line.feed, line.rig, line.parts, line.before) for line in lines]

    def worst(gain_db: float) -> Excess:
        return max(channel.excess(gain_db) for channel in channels)

    from_db = min(margin_db or 0.0, 0.0)
    found = [(from_db + step_db, worst(from_db + step_db)) for step_db in STEPS_DB]
    risky = [(gain_db, cause) for gain_db, (excess_db, cause) in found if excess_db > 0.0]
    if not risky:
        return None
    return QuieterRisk(from_db=risky[0][0], to_db=risky[-1][0], cause=risky[0][1])
