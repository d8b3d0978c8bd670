"""Relay circuits with a level comparator: what the trade expects of a fast one."""

from __future__ import annotations

from auditor.published.record import NO_SOURCE, Published

RELAY_TRIPS_ON = Published(
    (0.050, 2.0), "s, level over threshold", NO_SOURCE, "", "a burst that a fast circuit must catch", "common practice"
)
