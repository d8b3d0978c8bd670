"""A set of audits made up by hand, for the reports alone: no stage has run, and no figure here is an oracle.

Four tracks show every verdict: an acoustic piece (clear), speech (engaged), a dense dance piece (risk, the lamp works
and does not save the driver) and a feedback squeal (risk, the lamp burns out).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from auditor.audit_types import (
    AtEnd,
    Audit,
    Cause,
    ChannelAudit,
    Exposure,
    FileFault,
    LampWork,
    Passage,
    ProtectionWork,
    SetAudit,
    Tolerance,
    Traces,
    Verdict,
)
from auditor.protection.lamp import Lamp
from auditor.protection.none import NoProtection
from auditor.rig import Amplifier, Crossover, Driver, Level, Rig, Site

Series = NDArray[Any]

STEP_S = 0.25


def sample_rig(*, lamp: bool = True) -> Rig:
    """A two-way box with or without a lamp."""
    fitted = Lamp(
        part="1156",
        design_voltage_v=12.8,
        design_current_a=2.1,
        design_temp_k=2750.0,
        gas_loss_ratio=0.12,
        rated_life_h=1200.0,
    )
    return Rig(
        level=Level(
            calibration="line_up", unity_v=math.sqrt(0.6) * 10.0 ** (50.0 / 20.0), gain_db=0.0, full_scale_dbu=18.0
        ),
        amplifier=Amplifier(gain_db=32.0, rated_power_w=300.0, rated_load_ohm=8.0),
        crossover=Crossover(alignment="linkwitz-riley", order=4, frequency_hz=1800.0, pad_db=6.0),
        protection=fitted if lamp else NoProtection(),
        driver=Driver(
            rated_impedance_ohm=8.0,
            dc_resistance_ohm=5.8,
            continuous_power_w=60.0,
            program_power_w=120.0,
            peak_power_w=240.0,
            coil_material="copper",
            coil_diameter_mm=44.0,
            coil_temp_limit_c=180.0,
            coil_thermal_resistance_k_per_w=1.9,
            body_thermal_resistance_k_per_w=1.3,
            coil_time_constant_s=2.7,
            body_time_constant_s=1100.0,
        ),
        site=Site(ambient_temp_c=25.0),
        assumed=(
            "driver.coil_temp_limit_c",
            "driver.coil_thermal_resistance_k_per_w",
            "driver.body_thermal_resistance_k_per_w",
            "driver.coil_time_constant_s",
            "driver.body_time_constant_s",
            "protection.gas_loss_ratio",
        ),
        path="demo/rig.toml",
    )


def sample_channel(
    power_w: Series, *, index: int = 0, lamp: bool = True, failed_at_s: float | None = None, step_s: float = STEP_S
) -> ChannelAudit:
    """A channel whose traces follow from an unprotected power by rules of thumb."""
    bins = len(power_w)
    time_s = (np.arange(bins) + 1.0) * step_s
    alive = np.ones(bins) if failed_at_s is None else (time_s <= failed_at_s).astype(float)
    loss_db = np.clip(1.6 * np.log2(np.maximum(power_w, 1.0) / 12.0), 0.0, 6.0) if lamp else np.zeros(bins)
    kept_w = power_w * 10.0 ** (-loss_db / 10.0) * alive
    traces = Traces(
        step_s=step_s,
        hf_voltage_rms_v=_trace(np.sqrt(power_w * 8.0)),
        hf_voltage_peak_v=_trace(np.sqrt(power_w * 8.0) * 2.5),
        driver_power_w=_trace(kept_w * 1.2),
        driver_power_1s_w=_trace(kept_w),
        driver_power_60s_w=_trace(_smooth(kept_w, 60.0 / step_s)),
        driver_power_peak_w=_trace(kept_w * 3.0),
        coil_temp_c=_trace(25.0 + 1.9 * _smooth(kept_w, 2.7 / step_s)),
        body_temp_c=_trace(25.0 + 0.2 * _smooth(kept_w, 60.0 / step_s)),
        attenuation_db=_trace(loss_db),
        protection_resistance_ohm=_trace(0.4 + loss_db),
        filament_temp_k=_trace(300.0 + 400.0 * loss_db) if lamp else None,
        unprotected_power_1s_w=_trace(power_w),
        unprotected_coil_temp_c=_trace(25.0 + 1.9 * _smooth(power_w, 2.7 / step_s)),
        clipped_ratio=_trace(np.clip((power_w - 100.0) / 4000.0, 0.0, 1.0)),
    )
    glowing = int((loss_db > 1.0).sum())
    lamp_work = LampWork(
        filament_temp_max_k=float(300.0 + 400.0 * loss_db.max()),
        resistance_max_ohm=float(0.4 + loss_db.max()),
        power_max_w=14.0,
        glow_s=glowing * step_s,
        life_used_ratio=1.2e-7,
    )
    protected = _exposure(traces.driver_power_1s_w, traces.driver_power_60s_w, traces.coil_temp_c)
    return ChannelAudit(
        index=index,
        clipped_ratio=float(traces.clipped_ratio.mean()),
        hf_energy_ratio=0.08,
        hf_voltage_rms_v=float(np.sqrt(power_w.mean() * 8.0)),
        hf_voltage_peak_v=float(np.sqrt(power_w.max() * 8.0) * 2.5),
        hf_crest_db=14.2 if power_w.any() else None,
        protected=protected,
        unprotected=_exposure(traces.unprotected_power_1s_w, traces.driver_power_60s_w, traces.unprotected_coil_temp_c),
        protection=ProtectionWork(
            kind="lamp" if lamp else "none",
            part="1156" if lamp else None,
            engaged_s=glowing * step_s,
            attenuation_max_db=float(loss_db.max()),
            attenuation_mean_db=float(loss_db.mean()),
            failed_at_s=failed_at_s,
            tolerance=sample_tolerance(protected) if lamp else None,
            lamp=lamp_work if lamp else None,
        ),
        traces=traces,
    )


def sample_tolerance(exposure: Exposure) -> Tolerance:
    """The same at both ends but that the coil is hotter at the one, by rule of thumb."""
    end = AtEnd(
        verdict="engaged",
        coil_temp_max_c=exposure.coil_temp_max_c,
        driver_power_max_1s_w=exposure.driver_power_max_1s_w,
        driver_power_max_60s_w=exposure.driver_power_max_60s_w,
        failed_at_s=None,
    )
    hotter_c = 1.1 * exposure.coil_temp_max_c
    return Tolerance(earliest=end, latest=replace(end, verdict="risk", coil_temp_max_c=hotter_c))


def sample_track(
    name: str,
    power_w: Series,
    *,
    margin_db: float | None,
    limited_by: Cause | None,
    rig: Rig | None = None,
    failed_at_s: float | None = None,
    notes: tuple[str, ...] = (),
) -> Audit:
    """A stereo track, its second channel the louder one, with passages found in the traces."""
    rig = rig or sample_rig()
    lamp = rig.protection.kind == "lamp"
    channels = (
        sample_channel(power_w * 0.5, lamp=lamp),
        sample_channel(power_w, index=1, lamp=lamp, failed_at_s=failed_at_s),
    )
    traces = channels[1].traces
    passages = [
        *_runs(traces.attenuation_db, 1.0, "engaged", "protection_engaged", "dB"),
        *_runs(traces.driver_power_1s_w, 120.0, "risk", "driver_power_1s", "W"),
        *_runs(traces.driver_power_60s_w, 60.0, "risk", "driver_power_60s", "W"),
        *_runs(traces.driver_power_peak_w, 240.0, "risk", "driver_power_peak", "W"),
        *_runs(traces.coil_temp_c, 180.0, "risk", "coil_temp", "C"),
    ]
    duration_s = len(power_w) * STEP_S
    if failed_at_s is not None:
        gone = Passage(
            start_s=failed_at_s,
            end_s=failed_at_s + 0.006,
            channel=1,
            verdict="risk",
            cause="protection_failed",
            value=3695.0,
            limit=3695.0,
            unit="K",
        )
        passages.append(gone)
    verdict: Verdict = "clear"
    if passages:
        verdict = "risk" if any(each.verdict == "risk" for each in passages) else "engaged"
    silent = not power_w.any()
    return Audit(
        path=name,
        duration_s=duration_s,
        sample_rate_hz=44100,
        channel_count=2,
        loudness_lufs=None if silent else -9.64,
        true_peak_dbtp=None if silent else -0.31,
        peak_to_loudness_db=None if silent else 9.33,
        verdict=verdict,
        margin_db=margin_db,
        margin_limited_by=limited_by,
        worst_channel=1,
        channels=channels,
        passages=tuple(sorted(passages, key=lambda each: each.start_s)),
        notes=notes,
        unjudged=(),
        rig=rig,
    )


BROKEN_OFF = (
    "the file breaks off after 12.3 s, 14.0 s missing; what is there was analysed, "
    "the rest cannot be judged: copy it again"
)


def sample_set(**changes: Any) -> SetAudit:
    """Four tracks and one file that could not be read."""
    tracks = (
        sample_track("demo/02-harbour-walk-guitar.flac", acoustic_w(), margin_db=5.24, limited_by="driver_power_1s"),
        sample_track("demo/01-welcome-speech.wav", speech_w(), margin_db=1.37, limited_by="coil_temp"),
        sample_track("demo/03-night-ferry-dance-mix.mp3", dance_w(), margin_db=-3.42, limited_by="coil_temp"),
        sample_track(
            "demo/04-feedback-squeal.wav",
            squeal_w(),
            margin_db=-9.8,
            limited_by="protection_failed",
            failed_at_s=19.5,
            notes=("2 channels play the same signal.",),
        ),
    )
    whole = SetAudit(
        rig=sample_rig(),
        tracks=tracks,
        verdict="risk",
        margin_db=-9.8,
        worst_track="demo/04-feedback-squeal.wav",
        coil_temp_max_c=231.6,
        errors=(FileFault(path="demo/notes.txt", message="demo/notes.txt: not an audio file (is it a text file?)"),),
    )
    return replace(whole, **changes)


def acoustic_w() -> Series:
    """Wide dynamics, always well under the rating."""
    time_s = np.arange(760) * STEP_S
    return np.asarray(9.0 * np.abs(np.sin(time_s / 23.0)) ** 3 * (0.6 + 0.4 * _noise(760)))


def speech_w() -> Series:
    """Bursts that warm the lamp."""
    time_s = np.arange(480) * STEP_S
    return np.asarray(
        34.0 * (np.sin(time_s / 2.2) > -0.2) * (0.35 + 0.65 * _noise(480)) * np.where(time_s > 50.0, 1.3, 0.6)
    )


def dance_w() -> Series:
    """Dense, with a break in the middle."""
    time_s = np.arange(900) * STEP_S
    build = np.clip(time_s / 60.0, 0.1, 1.0) * np.where((time_s > 110.0) & (time_s < 140.0), 0.06, 1.0)
    return np.asarray(250.0 * build * (0.7 + 0.3 * _noise(900)) * np.where(time_s > 150.0, 2.2, 1.0))


def squeal_w() -> Series:
    """Quiet, then everything."""
    time_s = np.arange(120) * STEP_S
    return np.asarray(2.0 + 1500.0 * np.clip((time_s - 8.0) / 6.0, 0.0, 1.0) ** 3 * (time_s < 24.0))


def _noise(bins: int) -> Series:
    return np.asarray(np.random.default_rng(7).random(bins))


def _trace(values: Series) -> Series:
    return np.asarray(values, dtype=np.float32)


def _smooth(values: Series, bins: float) -> Series:
    out, state, share = np.empty(len(values)), 0.0, 1.0 / max(bins, 1.0)
    for index, value in enumerate(values):
        state += share * (value - state)
        out[index] = state
    return out


def _exposure(power_1s_w: Series, power_60s_w: Series, coil_temp_c: Series) -> Exposure:
    return Exposure(
        driver_power_mean_w=float(power_1s_w.mean()),
        driver_power_max_1s_w=float(power_1s_w.max()),
        driver_power_max_60s_w=float(power_60s_w.max()),
        driver_power_peak_w=float(power_1s_w.max() * 3.0),
        coil_temp_max_c=float(coil_temp_c.max()),
        body_temp_max_c=40.0,
    )


def _runs(trace: Series, limit: float, verdict: Verdict, cause: Cause, unit: str) -> list[Passage]:
    over = np.flatnonzero(np.diff(np.concatenate([[False], trace > limit, [False]]).astype(int)))
    return [
        Passage(
            start_s=start * STEP_S,
            end_s=stop * STEP_S,
            channel=1,
            verdict=verdict,
            cause=cause,
            value=float(trace[start:stop].max()),
            limit=limit,
            unit=unit,
        )
        for start, stop in over.reshape(-1, 2)
    ]
