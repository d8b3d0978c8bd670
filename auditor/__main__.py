"""`python -m auditor`, and `auditor`: the command line, behind what must be settled before anything is loaded."""

from __future__ import annotations

import signal

# While the program loads nobody catches Ctrl-C: it ends it as it ends any other, not with Python's traceback.
if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    signal.signal(signal.SIGINT, signal.SIG_DFL)

from auditor.cli import main

if __name__ == "__main__":
    main()
