"""Material made of steady stretches of HF voltage, for answers that are known beforehand; nothing is decoded."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np

from auditor.advice.material import Material
from auditor.arrays import frames_per_bin
from auditor.chain.play import ChannelFeed, Played, Replay
from auditor.chain.splitter import HfFrames
from auditor.programme.decode import Programme
from auditor.programme.loudness import Loudness
from auditor.rig import Rig
from auditor.rig_resolve import resolve_rig

FRAME_S = 0.006
DOCUMENT: dict[str, dict[str, Any]] = {
    "level": {"full_scale_dbu": 18.0},
    "amplifier": {"gain_db": 32.0, "rated_power_w": 800.0, "rated_load_ohm": 8.0},
    "crossover": {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0, "pad_db": 3.0},
    "protection": {"kind": "none"},
    "driver": {"rated_impedance_ohm": 8.0, "dc_resistance_ohm": 5.8, "continuous_power_w": 60.0},
}


def made_rig(**tables: dict[str, Any]) -> Rig:
    """The rig above with some keys changed; a protection is replaced as a whole."""
    document = copy.deepcopy(DOCUMENT)
    for table, values in tables.items():
        document[table] = values if table == "protection" else document.get(table, {}) | values
    rig, faults = resolve_rig(document, path="rig.toml")
    assert rig is not None, [str(fault) for fault in faults]
    return rig


def made_frames(*stretches: tuple[float, float], crest: float = 1.5) -> HfFrames:
    """Stretches of (volts rms, seconds), one after the other."""
    rms_v = np.concatenate([np.full(round(seconds / FRAME_S), volts) for volts, seconds in stretches])
    return HfFrames(
        frame_s=FRAME_S,
        duration_s=len(rms_v) * FRAME_S,
        rms_v=rms_v.astype(np.float32),
        peak_v=(rms_v * crest).astype(np.float32),
    )


def made_track(rig: Rig, *channels: HfFrames, name: str = "made.flac") -> Played:
    """A track whose channels send that to the HF branch."""
    programme = Programme(path=name, sample_rate_hz=48_000, channel_count=len(channels), declared_length=None)
    feeds = tuple(
        ChannelFeed(
            frames=frames,
            ladder=None,
            replay=Replay(programme=programme, channel=index, rig=rig, frame_s=frames.frame_s),
            clipped_half=np.zeros(-(-len(frames.rms_v) // frames_per_bin(len(frames.rms_v))), dtype=np.float16),
            overall_clipped_ratio=0.0,
            hf_energy_ratio=0.1,
            hf_voltage_rms_v=float(np.sqrt(np.mean(np.square(frames.rms_v)))),
            hf_voltage_peak_v=float(frames.peak_v.max()),
        )
        for index, frames in enumerate(channels)
    )
    return Played(
        programme=programme,
        duration_s=channels[0].duration_s,
        loudness=Loudness(integrated_lufs=-20.0, true_peak_dbtp=-6.0),
        feeds=feeds,
        notes=(),
        unjudged=(),
    )


def made_material(rig: Rig, *tracks: Played) -> Material:
    return Material(rig=rig, tracks=tracks, faults=())
