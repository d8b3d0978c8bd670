"""Passive networks by their parts against alignments by scipy, a nodal analysis of its own, and energy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from auditor import published
from auditor.chain.crossover import network_response, response, settling_s
from auditor.chain.equivalent import equivalent_high_pass
from auditor.chain.ladder import LadderBuilder
from auditor.chain.network import Ladder, Shape, audible_hz, l_pad_ohm
from auditor.chain.play import play
from auditor.chain.splitter import split
from auditor.driver.impedance import ModelledImpedance
from auditor.network_parts import Network, NetworkPart, PartKind
from auditor.rig import Crossover
from tests.published.models import rig
from tests.published.test_passive_networks import CORNER_HZ, network
from tests.stages.signals import Exact, WholeFile, analogue_high_pass, framed, level_db, music, write_wav

RATIO = 0.01
AT_HZ = np.geomspace(20.0, 20_000.0, 60)
GROUND, SOURCE = 0, 1


def elements(part: NetworkPart, at_hz: Exact, rated_ohm: float) -> list[tuple[bool, NDArray[np.complex128]]]:
    """Whether in series, and impedance, of what a part is made of; worked out here and not by the package."""
    s = 2j * np.pi * at_hz
    nothing = np.zeros(len(at_hz), dtype=complex)
    if part.kind == "l_pad":
        k = 10 ** (-part.pad_db / 20)
        return [(True, nothing + rated_ohm * (1 - k)), (False, nothing + rated_ohm * k / (1 - k))]
    if part.kind == "zobel":
        return [(False, part.resistance_ohm + 1 / (s * part.capacitance_f))]
    impedance = nothing + part.resistance_ohm
    if part.inductance_h:
        impedance = impedance + s * part.inductance_h
    if part.capacitance_f:
        impedance = impedance + 1 / (s * part.capacitance_f)
    return [(part.kind.startswith("series"), impedance)]


class Nodal:
    """Modified nodal analysis: admittances between numbered nodes and a source of one volt; solved as it stands."""

    def __init__(self, parts: tuple[NetworkPart, ...], at_hz: Exact, load: NDArray[Any], rated_ohm: float = 8.0):
        node, last = SOURCE, SOURCE
        branches: list[tuple[int, int, NDArray[Any]]] = []
        for part in parts:
            for in_series, impedance in elements(part, at_hz, rated_ohm):
                if in_series:
                    last += 1
                    branches.append((node, last, impedance))
                    node = last
                else:
                    branches.append((node, GROUND, impedance))
        branches.append((node, GROUND, load))
        self.load_v, self.source_a = np.empty(len(at_hz), complex), np.empty(len(at_hz), complex)
        for k in range(len(at_hz)):
            # Unknowns: the nodes' voltages but for ground's, and the source's current.
            matrix = np.zeros((last + 1, last + 1), dtype=complex)
            for first, second, impedance in branches:
                admittance = 1 / impedance[k]
                for one, other in ((first, second), (second, first)):
                    if one:
                        matrix[one - 1, one - 1] += admittance
                        if other:
                            matrix[one - 1, other - 1] -= admittance
            matrix[SOURCE - 1, last] = matrix[last, SOURCE - 1] = 1
            known = np.zeros(last + 1, dtype=complex)
            known[last] = 1
            solved = np.linalg.solve(matrix, known)
            self.load_v[k], self.source_a[k] = solved[node - 1], -solved[last]


def any_part() -> st.SearchStrategy[NetworkPart]:
    farads = st.floats(-7.0, -3.5).map(lambda power: 10**power)
    henries = st.floats(-5.0, -2.0).map(lambda power: 10**power)
    ohms = st.floats(-0.5, 2.0).map(lambda power: 10**power)
    losses = st.floats(0.05, 1.0)

    def made(kind: PartKind) -> st.SearchStrategy[NetworkPart]:
        if kind == "l_pad":
            return st.builds(NetworkPart, kind=st.just(kind), pad_db=st.floats(0.5, 20.0))
        if kind == "zobel":
            return st.builds(NetworkPart, kind=st.just(kind), capacitance_f=farads, resistance_ohm=ohms)
        if kind.endswith("capacitor"):
            return st.builds(NetworkPart, kind=st.just(kind), capacitance_f=farads)
        if kind.endswith("inductor"):
            return st.builds(NetworkPart, kind=st.just(kind), inductance_h=henries, resistance_ohm=losses)
        return st.builds(NetworkPart, kind=st.just(kind), resistance_ohm=ohms)

    kinds: tuple[PartKind, ...] = (
        "series_capacitor",
        "series_inductor",
        "series_resistor",
        "shunt_capacitor",
        "shunt_inductor",
        "shunt_resistor",
        "zobel",
        "l_pad",
    )
    return st.sampled_from(kinds).flatmap(made)


networks = st.lists(any_part(), min_size=1, max_size=6).map(tuple)
drivers = st.builds(
    ModelledImpedance,
    dc_resistance_ohm=st.floats(3.0, 12.0),
    inductance_h=st.floats(0.0, 5e-4),
    resonance_hz=st.floats(300.0, 2000.0),
    mechanical_q=st.floats(0.5, 8.0),
    electrical_q=st.floats(0.3, 4.0),
)


@settings(max_examples=60, deadline=None)
@given(parts=networks, driver=drivers, lamp_ohm=st.floats(0.1, 50.0))
def test_a_ladder_agrees_with_nodal_analysis(
    parts: tuple[NetworkPart, ...], driver: ModelledImpedance, lamp_ohm: float
) -> None:
    load = driver.at(AT_HZ)
    exact = Nodal(parts, AT_HZ, load)
    ladder = Ladder.of(parts, AT_HZ, rated_impedance_ohm=8.0)
    np.testing.assert_allclose(ladder.transfer(load), exact.load_v, rtol=RATIO * 1e-4)
    np.testing.assert_allclose(ladder.input_impedance_ohm(load), 1 / exact.source_a, rtol=RATIO * 1e-4)
    # A lamp before the driver, by the source that the network is to them both.
    behind = Nodal((*parts, NetworkPart(kind="series_resistor", resistance_ohm=lamp_ohm)), AT_HZ, load)
    thevenin = ladder.source_impedance_ohm
    cold = ladder.transfer(load)
    np.testing.assert_allclose(
        cold * (thevenin + load) / (thevenin + load + lamp_ohm), behind.load_v, rtol=RATIO * 1e-4
    )


@pytest.mark.parametrize(
    ("alignment", "order", "constants"), published.HIGH_PASS_PARTS.value, ids=lambda value: str(value)[:16]
)
def test_a_ladder_from_the_design_constants_is_the_alignment(
    alignment: str, order: int, constants: tuple[tuple[str, float], ...]
) -> None:
    at_hz = CORNER_HZ * np.geomspace(0.1, 6.0, 300)
    exact = analogue_high_pass(alignment, order, CORNER_HZ, at_hz)
    off_db = level_db(np.abs(network_response(network(constants), at_hz))) - level_db(np.abs(exact))
    assert np.abs(off_db).max() < 0.05
    # The bound is not idle: into half the load it is far from the alignment.
    wrong = Network(parts=network(constants).parts, rated_impedance_ohm=4.0, impedance=None)
    assert np.abs(level_db(np.abs(network_response(wrong, at_hz))) - level_db(np.abs(exact))).max() > 0.5


@pytest.mark.parametrize("pad_db", [0.5, 3.0, 6.0, 10.0, 20.0])
def test_a_pad_keeps_impedance_and_takes_what_it_says(pad_db: float) -> None:
    series_ohm, shunt_ohm = l_pad_ohm(pad_db, 8.0)
    across = shunt_ohm * 8.0 / (shunt_ohm + 8.0)
    assert series_ohm + across == pytest.approx(8.0)
    assert 20 * np.log10(across / (series_ohm + across)) == pytest.approx(-pad_db)


def test_the_shape_of_an_alignment_is_its_corner_and_no_loss() -> None:
    at_hz = audible_hz()
    shape = Shape.of(at_hz, analogue_high_pass("butterworth", 3, 2500.0, at_hz))
    assert shape.corner_hz == pytest.approx(2500.0, rel=1e-3)
    assert shape.loss_db == pytest.approx(0.0, abs=0.01)
    assert Shape.of(at_hz, np.full(len(at_hz), 0.5 + 0j)).corner_hz == 0.0


def as_crossover(found: Network) -> Crossover:
    at_hz = audible_hz()
    shape = Shape.of(at_hz, network_response(found, at_hz))
    return Crossover(alignment="parts", order=0, frequency_hz=shape.corner_hz, pad_db=shape.loss_db, network=found)


def test_frames_behind_a_network_are_those_of_the_alignment_it_makes() -> None:
    rate_hz = 48_000
    volts = music(rate_hz) * 40.0
    made = as_crossover(network(published.HIGH_PASS_PARTS.value[4][2]))
    frames = split(volts, rate_hz, made)
    exact, _ = framed(WholeFile(volts, rate_hz).branch("linkwitz-riley", 4, CORNER_HZ), 288)
    assert level_db(np.sqrt(np.mean(np.square(frames.rms_v))) / np.sqrt(np.mean(exact**2))) == pytest.approx(
        0, abs=0.02
    )


def test_what_a_pad_in_a_network_takes_is_taken_once(tmp_path: Path) -> None:
    """An L-pad of 6 dB takes 6 dB of the volts as played, and of those at another gain."""
    path = write_wav(tmp_path / "a.wav", 0.3 * music(48_000), 48_000)
    capacitor, pad = NetworkPart(kind="series_capacitor", capacitance_f=10e-6), NetworkPart(kind="l_pad", pad_db=6.0)
    networks = [
        Network(parts=parts, rated_impedance_ohm=8.0, impedance=None) for parts in ((capacitor,), (capacitor, pad))
    ]
    rigs = [replace(rig(), crossover=as_crossover(each)) for each in networks]
    plain, padded = (play(str(path), system).feeds[0] for system in rigs)
    assert level_db(padded.hf_voltage_rms_v / plain.hf_voltage_rms_v) == pytest.approx(-6.0, abs=0.001)
    assert level_db(padded.hf_voltage_peak_v / plain.hf_voltage_peak_v) == pytest.approx(-6.0, abs=0.001)
    one, other = (np.sqrt(np.mean(np.square(feed.replay.frames(-3.0).rms_v))) for feed in (plain, padded))
    assert level_db(other / one) == pytest.approx(-6.0, abs=0.001)


def test_a_network_that_rings_is_given_time_to_fade() -> None:
    at_rest = as_crossover(network(published.HIGH_PASS_PARTS.value[1][2]))
    ringing = Network(
        parts=(
            NetworkPart(kind="series_capacitor", capacitance_f=10e-6),
            NetworkPart(kind="shunt_inductor", inductance_h=2e-3),
        ),
        rated_impedance_ohm=200.0,
        impedance=None,
    )
    # The tail of a resonance of quality Q falls by 60 dB in 2.2 Q periods.
    resonance_hz, q = 1 / (2 * np.pi * np.sqrt(10e-6 * 2e-3)), 200.0 * np.sqrt(10e-6 / 2e-3)
    expected_s = np.log(1e6) / 2 * q / (np.pi * resonance_hz)
    assert settling_s(as_crossover(ringing)) == pytest.approx(expected_s, rel=0.15)
    assert settling_s(at_rest) < 0.003


@pytest.mark.parametrize(
    ("alignment", "order", "constants"), published.HIGH_PASS_PARTS.value, ids=lambda v: str(v)[:16]
)
def test_the_equivalent_of_an_alignment_is_itself(
    alignment: str, order: int, constants: tuple[tuple[str, float], ...]
) -> None:
    found = equivalent_high_pass(as_crossover(network(constants)))
    assert (found.alignment, found.order) == (alignment, order)
    assert found.frequency_hz == pytest.approx(CORNER_HZ, rel=0.03)  # a step of its search
    plain = rig().crossover
    assert equivalent_high_pass(plain) is plain


@pytest.mark.parametrize("gain_db", [2.0, 6.0, 12.0])
def test_the_ladder_of_gains_serves_a_network(gain_db: float) -> None:
    """Energies at other gains against clipping the samples themselves, behind a network no alignment is like."""
    rate_hz, rail_v = 48_000, 40.0
    volts = music(rate_hz) * 40.0
    odd = as_crossover(
        Network(
            parts=(
                NetworkPart(kind="series_capacitor", capacitance_f=6.8e-6),
                NetworkPart(kind="shunt_inductor", inductance_h=0.33e-3, resistance_ohm=0.4),
                NetworkPart(kind="l_pad", pad_db=4.0),
            ),
            rated_impedance_ohm=8.0,
            impedance=ModelledImpedance(
                dc_resistance_ohm=5.8, inductance_h=1e-4, resonance_hz=900.0, mechanical_q=3.0, electrical_q=1.2
            ),
        )
    )
    frames = split(np.clip(volts, -rail_v, rail_v), rate_hz, odd)
    builder = LadderBuilder(rate_hz, odd, rail_v=rail_v, full_scale_peak_v=40.0, frame_length=288)
    builder.push(volts.astype(np.float32))
    tried = builder.finish().frames_at(frames, gain_db)
    exact = split(np.clip(volts * 10 ** (gain_db / 20), -rail_v, rail_v), rate_hz, odd)
    off_db = level_db(np.sqrt(np.mean(np.square(tried.rms_v)) / np.mean(np.square(exact.rms_v))))
    assert abs(off_db) < 0.1
    assert np.abs(response(odd, np.array([3000.0]))) < 1.0
