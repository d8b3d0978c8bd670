"""The equaliser against its published formulas: marked points of the prototypes, and the responses everywhere."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from auditor import published
from auditor.chain.equaliser import EqualiserChannel, analogue_response, response
from auditor.rig import EqualiserSection

from .oracle import Check, about

_subject = {"subject": "Equaliser"}
RATE_HZ = 48_000
TENTH_DB = 0.01
KINDS = ("peaking", "low_shelf", "high_shelf", "low_pass", "high_pass")


def _section(kind: str, gain_db: float, q: float, frequency_hz: float = 1000.0) -> EqualiserSection:
    return EqualiserSection(kind=kind, frequency_hz=frequency_hz, gain_db=gain_db, q=q)  # type: ignore[arg-type]


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def _measured_db(sections: list[EqualiserSection], at_hz: np.ndarray, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Of the streaming filter itself: the spectrum of its answer to an impulse."""
    impulse = np.zeros(1 << 17, dtype=np.float32)
    impulse[0] = 1.0
    answer = EqualiserChannel(sections, rate_hz).push(impulse).astype(float)
    samples = np.arange(len(answer))
    return np.array([20.0 * np.log10(abs(answer @ np.exp(-2j * np.pi * hz / rate_hz * samples))) for hz in at_hz])


def _marked_db(kind: str, gain_db: float, q: float, ratio: float) -> float:
    # At 200 Hz the digital section is its prototype.
    return float(_measured_db([_section(kind, gain_db, q, 200.0)], np.array([200.0 * ratio]))[0])


def _why(ratio: float) -> str:
    return "0.01 dB, what the response must reach" + ("; the far end is an asymptote" if ratio != 1.0 else "")


CHECKS = tuple(
    about(
        printed,
        quantity=f"{kind.replace('_', ' ')}, {gain_db:g} dB, q {q:g}, at {ratio:g} of its frequency",
        record=published.EQUALISER_AT,
        unit="dB",
        scale="db",
        tolerance=TENTH_DB,
        why=_why(ratio),
        compute=functools.partial(_marked_db, kind, gain_db, q, ratio),
        **_subject,
    )
    for kind, gain_db, q, ratio, printed in published.EQUALISER_AT.value
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()


CASES = [(kind, gain_db, q) for kind in KINDS for gain_db in (-12.0, 4.0, 15.0) for q in (0.4, 0.7071, 3.0)]


@pytest.mark.parametrize(("kind", "gain_db", "q"), CASES)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_the_whole_response_is_the_prototype_at_warped_frequencies(
    kind: str, gain_db: float, q: float, rate_hz: int
) -> None:
    section = _section(kind, gain_db, q, 3150.0)
    at_hz = np.geomspace(100.0, 0.49 * rate_hz, 40)
    # The bilinear transform: s = j tan(pi f / rate) / tan(pi f0 / rate).
    warped_hz = section.frequency_hz * np.tan(np.pi * at_hz / rate_hz) / np.tan(np.pi * section.frequency_hz / rate_hz)
    exact_db = np.array([_db(abs(analogue_response(section, hz))) for hz in warped_hz])
    assert 20.0 * np.log10(np.abs(response([section], at_hz, rate_hz))) == pytest.approx(exact_db, abs=1e-9)
    # What single precision leaves of an impulse's answer goes 90 dB down.
    audible = exact_db > -60.0
    assert _measured_db([section], at_hz, rate_hz)[audible] == pytest.approx(exact_db[audible], abs=TENTH_DB)


@pytest.mark.parametrize(("kind", "gain_db", "q"), CASES)
def test_low_in_the_band_it_is_the_analogue_circuit(kind: str, gain_db: float, q: float) -> None:
    section = _section(kind, gain_db, q, 100.0)
    at_hz = np.geomspace(20.0, 400.0, 12)
    exact_db = np.array([_db(abs(analogue_response(section, hz))) for hz in at_hz])
    assert _measured_db([section], at_hz, 96_000) == pytest.approx(exact_db, abs=TENTH_DB)


def test_a_boost_and_the_same_cut_undo_each_other() -> None:
    pairs = [_section(kind, sign * 9.0, 0.8) for kind in ("peaking", "low_shelf", "high_shelf") for sign in (1.0, -1.0)]
    at_hz = np.geomspace(20.0, 20_000.0, 30)
    assert np.abs(response(pairs, at_hz, RATE_HZ)) == pytest.approx(np.ones(30), abs=1e-9)
    assert _measured_db(pairs, at_hz) == pytest.approx(np.zeros(30), abs=1e-4)
