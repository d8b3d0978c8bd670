"""The one door to FFmpeg (PyAV): only listed formats, and only from the file itself.

A playlist or a stream description would make FFmpeg open other files, or the network.
"""

from __future__ import annotations

from typing import Any

import av

av.logging.set_level(None)  # FFmpeg writes to the terminal itself otherwise


def open_file(path: str, formats: str, *, errors: str = "replace", **options: str) -> Any:
    """Open a file, a context manager.

    Parameters
    ----------
    path : str
    formats : str
        FFmpeg's names of those allowed, with commas between.
    errors : str
        What becomes of tags that are not UTF-8; see `bytes.decode`.
    options : str
        FFmpeg's own.

    Raises
    ------
    av.error.FFmpegError, OSError, ValueError
    """
    allowed = {"protocol_whitelist": "file", "format_whitelist": formats, **options}
    # "file:" keeps FFmpeg from taking a name such as "concat:a" for an address.
    return av.open("file:" + path, metadata_errors=errors, container_options=allowed)
