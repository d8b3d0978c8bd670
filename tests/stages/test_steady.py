"""The settled curve of lamps and driver against what does not use it: a root, the simulation, a printed table."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from auditor import published
from auditor.driver.coil import CoilNetwork, constant_voltage_rise_k
from auditor.protection import filament
from auditor.protection.lamp import Lamp
from auditor.protection.steady import SteadyCurve
from auditor.simulation import simulate
from auditor.units import ZERO_CELSIUS_K
from tests.published import models
from tests.published.test_series_lamp import TABLE_AMBIENT_K, TABLE_GAS_LOSS, TOLERANCES

COLD_LOAD = models.network(coil_k_per_w=1e-9, body_k_per_w=1e-9)  # a coil that stays at 20 C: a fixed load


def bank(part: str, series: int = 1, parallel: int = 1, **driver: float) -> models.Rig:
    protection = {"kind": "lamp", "part": part, "series_count": series, "parallel_count": parallel}
    return models.rig(protection=protection, driver=driver)


def network_of(rig: models.Rig) -> CoilNetwork:
    return CoilNetwork.of(rig.driver, rig.site.ambient_temp_c)


def curve_of(rig: models.Rig) -> SteadyCurve:
    assert isinstance(rig.protection, Lamp)
    return SteadyCurve.of(rig.protection, network_of(rig))


class TestAgainstAFixedLoad:
    """`auditor.protection.filament.steady` finds the root of the same balance, one source at a time."""

    @pytest.mark.parametrize("source_v", [0.3, 1.0, 3.91, 8.77, 15.4, 26.5, 40.0])
    def test_one_lamp(self, source_v: float) -> None:
        lamp = models.part_1156()
        curve = SteadyCurve.of(lamp, COLD_LOAD)
        point = filament.steady(models.filament(lamp), source_v, 8.0)
        assert curve.driver_power_at_w(source_v) == pytest.approx(point.current_a**2 * 8.0, rel=1e-3)
        assert curve.lamp_voltage_at_v(source_v) == pytest.approx(point.lamp_voltage_v, rel=2e-3)
        assert curve.lamp_power_at_w(source_v) == pytest.approx(point.lamp_voltage_v * point.current_a, rel=2e-3)

    @pytest.mark.parametrize("row", published.SERIES_LAMP_TABLE.value)
    def test_the_published_table(self, row: tuple[float, ...]) -> None:
        """An independent integration of the same lamp equation: source, lamp's voltage, current, temperature, loss."""
        source_v, lamp_v, current_a, _, loss_db = row
        rated_v, rated_a = published.SERIES_LAMP_RATING.value
        load_ohm = published.SERIES_LAMP_LOAD_OHM.value
        lamp = models.lamp(rated_v, rated_a, temp_k=published.SERIES_LAMP_DESIGN_TEMP_K.value, gas_loss=TABLE_GAS_LOSS)
        air_c = TABLE_AMBIENT_K - ZERO_CELSIUS_K
        load = replace(COLD_LOAD, rated_impedance_ohm=load_ohm, dc_resistance_ohm=load_ohm, ambient_temp_c=air_c)
        curve = SteadyCurve.of(lamp, load)
        driver_v = math.sqrt(float(curve.driver_power_at_w(source_v)) * load_ohm)
        assert curve.lamp_voltage_at_v(source_v) == pytest.approx(lamp_v, rel=TOLERANCES["lamp_voltage_v"], abs=0.005)
        assert driver_v / load_ohm == pytest.approx(current_a, rel=TOLERANCES["current_a"])
        cold_ohm = float(models.filament(lamp, ambient_k=TABLE_AMBIENT_K).resistance_ohm(TABLE_AMBIENT_K))
        through_cold_v = source_v * load_ohm / (load_ohm + cold_ohm)
        assert 20.0 * math.log10(through_cold_v / driver_v) == pytest.approx(
            loss_db, rel=TOLERANCES["attenuation_db"], abs=0.005
        )


class TestAgainstTheSimulation:
    @pytest.mark.parametrize(
        ("part", "series", "parallel"), [("1156", 1, 1), ("1156", 2, 1), ("912", 1, 3), ("1295", 2, 2)]
    )
    @pytest.mark.parametrize("source_v", [4.0, 18.0, 34.0])
    def test_a_steady_source_held_for_hours(self, part: str, series: int, parallel: int, source_v: float) -> None:
        rig = bank(part, series, parallel)
        curve = curve_of(rig)
        frame_s = 0.5
        run = simulate(np.full(round(6 * 3600 / frame_s), source_v, dtype=np.float32), frame_s, rig)
        assert run.failed_at_s is None
        power_w = float(run.driver_voltage_rms_v[-1]) ** 2 / rig.driver.rated_impedance_ohm
        assert curve.driver_power_at_w(source_v) == pytest.approx(power_w, rel=2e-3)
        assert curve.coil_temp_at_c(source_v) == pytest.approx(float(run.coil_temp_c[-1]), abs=0.3)
        lamps_w = curve.lamp_power_at_w(source_v) * series * parallel
        assert lamps_w == pytest.approx(float(run.protection_power_w[-1]), rel=3e-3)

    def test_the_time_a_lamp_lasts(self) -> None:
        lamp = models.part_1156()
        run = models.drive(lamp, models.network(), 46.0, 3600.0, 0.05)
        assert run.failed_at_s is not None
        # Switching on takes it a quarter of a second, in which it hardly ages.
        lasts_s = SteadyCurve.of(lamp, models.network()).lamp_lasts_s(46.0)
        assert lasts_s == pytest.approx(run.failed_at_s, rel=0.02, abs=0.5)

    def test_the_source_that_melts_it(self) -> None:
        lamp = models.part_1156()
        curve = SteadyCurve.of(lamp, COLD_LOAD)
        filament.steady(models.filament(lamp), 0.999 * curve.melts_source_v, 8.0)
        with pytest.raises(ValueError, match="melts the filament"):
            filament.steady(models.filament(lamp), 1.001 * curve.melts_source_v, 8.0)
        assert math.isnan(float(curve.driver_power_at_w(1.01 * curve.melts_source_v)))
        assert curve.lamp_lasts_s(1.01 * curve.melts_source_v) == 0.0


class TestBare:
    def test_at_the_continuous_rating_the_coil_is_at_its_limit(self) -> None:
        """By its definition: that is how the thermal resistance was found."""
        rig = models.rig()
        curve = SteadyCurve.bare(network_of(rig))
        ceiling_v = curve.ceiling_v(power_w=60.0, coil_temp_c=180.0)
        assert ceiling_v == pytest.approx(math.sqrt(60.0 * 8.0), rel=1e-3)
        assert curve.coil_temp_at_c(math.sqrt(480.0)) == pytest.approx(180.0, abs=0.2)

    def test_power_is_voltage_squared_over_rated_impedance(self) -> None:
        curve = SteadyCurve.bare(network_of(models.rig()))
        for source_v in (0.5, 5.0, 50.0):
            assert curve.driver_power_at_w(source_v) == pytest.approx(source_v**2 / 8.0, rel=1e-3)

    def test_a_purely_resistive_coil(self) -> None:
        """Closed form of `constant_voltage_rise_k`: rise = R_th P_0 / (1 + alpha rise)."""
        load = models.network(alpha=0.00393)
        curve = SteadyCurve.bare(load)
        rise_k = constant_voltage_rise_k(20.0**2 / 8.0, 2.0, "copper")
        assert curve.coil_temp_at_c(20.0) == pytest.approx(models.AMBIENT_C + rise_k, abs=0.1)


class TestShape:
    @pytest.mark.parametrize("part", ["1156", "194", "1129", "1295"])
    def test_rises_throughout(self, part: str) -> None:
        curve = curve_of(bank(part))
        for values in (curve.source_v, curve.driver_v, curve.coil_temp_c, curve.lamp_power_w):
            assert (np.diff(values) > 0.0).all()

    def test_more_current_lets_more_through(self) -> None:
        powers = [float(curve_of(bank(part)).driver_power_at_w(20.0)) for part in ("912", "1141", "1156", "1295")]
        assert powers == sorted(powers)
        bare_w = float(SteadyCurve.bare(network_of(models.rig())).driver_power_at_w(20.0))
        assert powers[-1] < bare_w

    def test_four_lamps_two_by_two_are_one_of_four_times_the_power(self) -> None:
        """Equal resistance, a quarter of the heat in each: a lamp of twice the volts and twice the amps."""
        one = models.part_1156()
        four = bank("1156", 2, 2).protection
        load = network_of(models.rig())
        assert isinstance(four, Lamp)
        big = Lamp(
            design_voltage_v=2 * one.design_voltage_v,
            design_current_a=2 * one.design_current_a,
            design_temp_k=one.design_temp_k,
            gas_loss_ratio=one.gas_loss_ratio,
            rated_life_h=one.rated_life_h,
        )
        left, right = SteadyCurve.of(four, load), SteadyCurve.of(big, load)
        assert left.driver_power_at_w(30.0) == pytest.approx(float(right.driver_power_at_w(30.0)), rel=1e-6)
        assert 4.0 * left.lamp_power_at_w(30.0) == pytest.approx(float(right.lamp_power_at_w(30.0)), rel=1e-6)

    def test_the_ceiling_is_the_tighter_of_power_and_coil(self) -> None:
        curve = curve_of(bank("1156"))
        ceiling_v = curve.ceiling_v(power_w=60.0, coil_temp_c=1000.0)
        assert curve.driver_power_at_w(ceiling_v) == pytest.approx(60.0, rel=1e-3)
        cooler_v = curve.ceiling_v(power_w=60.0, coil_temp_c=100.0)
        assert cooler_v < ceiling_v
        assert curve.coil_temp_at_c(cooler_v) == pytest.approx(100.0, abs=0.2)
