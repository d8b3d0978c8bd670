"""What workers are forked from (`auditor.spread.processes`): every library that judging a track takes, loaded.

Imported for its imports alone. None of them leaves a thread running.
"""

from __future__ import annotations

import gc

gc.disable()

import numba.np.npyimpl  # noqa: E402, F401 - what compiled loops refer to
import scipy.fft  # noqa: E402, F401

import auditor.pipeline  # noqa: E402
import auditor.programme.av_open  # noqa: E402
import auditor.protection.side_by_side  # noqa: E402, F401

gc.freeze()  # what is here already is never looked through again, and stays in memory that all workers share
gc.enable()
