"""The demonstration set: where its clips and its rig lie, in the source tree or inside an installed wheel.

The clips are rendered by `python -m auditor.demo.render`; `demo_audio/README.md` tells the story they belong to.
Nothing heavy is imported here.
"""

from __future__ import annotations

from pathlib import Path

from auditor.errors import AuditorError

CLIP_SUFFIXES = frozenset({".flac", ".ogg", ".wav"})
RIG_NAME = "rig.toml"


def demo_dir() -> Path:
    """Return the folder that holds the demonstration set.

    Returns
    -------
    Path

    Raises
    ------
    AuditorError
        When the installation carries no demonstration set.
    """
    package = Path(__file__).resolve().parent.parent
    # A wheel carries the folder inside the package; a source tree (or an editable install) has it next to the package.
    for folder in (package / "demo_audio", package.parent / "demo_audio"):
        if (folder / RIG_NAME).is_file():
            return folder
    raise AuditorError(
        "the demonstration set is missing from this installation",
        where=str(package / "demo_audio"),
        hint="reinstall, or render it with: python -m auditor.demo.render",
    )


def demo_paths() -> tuple[Path, ...]:
    """Return the demonstration clips in playing order (their names are numbered).

    Returns
    -------
    tuple of Path
    """
    return tuple(sorted(path for path in demo_dir().iterdir() if path.suffix in CLIP_SUFFIXES))


def demo_rig_path() -> Path:
    """Return the rig file that goes with the clips.

    Returns
    -------
    Path
    """
    return demo_dir() / RIG_NAME
