"""Draw the demonstration's timelines and what `auditor render` makes of them: `python docs/make_gallery_pictures.py`.

Writes docs/pictures/timeline-*.png and docs/pictures/sound-*.png; needs matplotlib (the extra `pictures`).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import matplotlib
import numpy as np
import soundfile
from matplotlib.figure import Figure

from auditor import audit, demo, load_rig
from auditor.render import render
from auditor.report import palette
from auditor.report.pictures import write_picture

PICTURES = Path(__file__).parent / "pictures"
TIMELINES = {"04": "timeline-squashed", "06": "timeline-squeal", "07": "timeline-line-check"}
SOUNDS = {"06": "sound-squeal", "07": "sound-line-check"}
LARGEST_BYTES = 300_000
STEP_S = 0.05


def clip(start: str) -> Path:
    """The demonstration's clip whose name starts so."""
    return next(path for path in demo.demo_paths() if path.name.startswith(start))


def sound_picture(path: Path, target: Path) -> None:
    """Level of a rendered file over time: what is to be heard before and after the lamp."""
    rig = load_rig(demo.demo_rig_path())
    with tempfile.TemporaryDirectory() as folder:
        written = Path(folder) / "out.wav"
        made = render(str(path), rig, written)
        samples, rate_hz = soundfile.read(written, always_2d=True)
    step = round(STEP_S * rate_hz)
    whole = samples[: len(samples) // step * step, 0].reshape(-1, step)
    level_dbfs = 10.0 * np.log10(np.maximum(np.mean(whole**2, axis=1), 1e-8))
    at_s = (np.arange(len(whole)) + 0.5) * STEP_S
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        figure = Figure(figsize=(11.0, 3.2), layout="constrained")
        axes = figure.subplots()
        axes.fill_between(at_s, level_dbfs, -60.0, color=palette.BLUE, alpha=0.35, linewidth=0.0)
        axes.plot(at_s, level_dbfs, color=palette.BLUE, linewidth=1.0)
        for piece in made.pieces:
            axes.text(piece.start_s, 1.5, f"{piece.part}: {piece.rms_v:.3g} V rms", fontweight="bold", fontsize=9.0)
            axes.axvline(piece.start_s, color="#1B1F24", linewidth=0.8, linestyle=(0, (4, 2)))
        axes.set(xlim=(0.0, at_s[-1]), ylim=(-60.0, 0.0), xlabel="Time in the rendered file [s]")
        axes.set_ylabel(f"Level [dBFS], 0 = {made.full_scale_v:.3g} V")
        axes.grid(alpha=0.25)
        figure.savefig(target, dpi=110, metadata={"Title": path.name})


def main() -> None:
    """Draw them all."""
    PICTURES.mkdir(exist_ok=True)
    rig = load_rig(demo.demo_rig_path())
    written = []
    for start, name in TIMELINES.items():
        written.append(PICTURES / f"{name}.png")
        write_picture(audit(clip(start), rig), written[-1], "png")
    for start, name in SOUNDS.items():
        written.append(PICTURES / f"{name}.png")
        sound_picture(clip(start), written[-1])
    large = [path.name for path in written if path.stat().st_size > LARGEST_BYTES]
    if large:
        sys.exit(f"over {LARGEST_BYTES} bytes: {', '.join(large)}")


if __name__ == "__main__":
    main()
