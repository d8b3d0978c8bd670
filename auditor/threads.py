"""How many threads compute at a time: channels are independent, and a plain laptop has two cores."""

from __future__ import annotations

THREADS = 2
