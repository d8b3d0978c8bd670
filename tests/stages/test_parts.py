"""The list of parts: every row whole, honest about its source, and a lamp within its class."""

from __future__ import annotations

import pytest

from auditor import published
from auditor.parts import LAMP_RATINGS, find_lamp, lamps, nearest_lamps
from auditor.parts.protective import breakers, fuses
from auditor.parts.resettables import resettables
from auditor.published import LAMP_DESIGN_TEMP_CLASSES_K

CANDELA_TO_LUMENS = 12.57  # 4 pi, as the published values print it
# Trade number: V, A, mean spherical candela, hours; from memory, published values section 2.
REMEMBERED = {
    "1156": (12.8, 2.10, 32, 1200),
    "1141": (12.8, 1.44, 21, 1000),
    "1073": (12.8, 1.80, 32, 200),
    "1003": (12.8, 0.94, 15, 200),
    "93": (12.8, 1.04, 15, 700),
    "89": (13.0, 0.58, 6, 750),
    "67": (13.5, 0.59, 4, 5000),
    "906": (13.5, 0.69, 6, 1000),
    "912": (12.8, 1.00, 12, 1000),
    "921": (12.8, 1.40, 21, 1000),
    "194": (14.0, 0.27, 2, 2500),
    "168": (14.0, 0.35, 3, 1500),
    "211-2": (12.8, 0.97, 12, 1000),
    "212-2": (13.5, 0.74, 6, 5000),
    "561": (12.8, 0.97, 12, 1000),
    "578": (12.8, 0.78, 9, 1000),
    "1129": (6.4, 2.63, 21, 200),
    "1295": (12.5, 3.00, 50, 300),
}
# UN Regulation No. 37 category: largest W and lm at 13.5 V; from memory but for PY21/5W, which was read.
REGULATION_37 = {
    "P21W": (26.5, 460),
    "PY21/5W": (26.5, None),
    "R10W": (11.0, 125),
    "R5W": (5.5, 50),
    "T4W": (4.4, 35),
    "W5W": (5.5, 50),
    "W16W": (21.35, 310),
    "C5W": (5.5, 45),
    "C21W": (26.5, 460),
}
# Watts and lumens read in a listing.
READ_W_LM = {"1156": (26.9, 402), "1141": (18.4, 264), "1003": (12.0, None), "912": (13.0, 151)}


def test_the_list_holds_exactly_the_published_lamps() -> None:
    assert set(lamps()) == set(REMEMBERED) | set(REGULATION_37)


@pytest.mark.parametrize("part", REMEMBERED)
def test_trade_numbers_have_their_ratings(part: str) -> None:
    lamp, (volts, amps, candela, hours) = lamps()[part], REMEMBERED[part]
    assert (lamp.design_voltage_v, lamp.design_current_a, lamp.rated_life_h) == (volts, amps, hours)
    assert lamp.light_lm == pytest.approx(CANDELA_TO_LUMENS * candela, abs=0.6)


@pytest.mark.parametrize("part", REGULATION_37)
def test_regulation_categories_have_their_maxima(part: str) -> None:
    lamp, (watts, lumens) = lamps()[part], REGULATION_37[part]
    assert lamp.design_voltage_v == 13.5
    assert lamp.design_power_w == pytest.approx(watts, abs=0.01)
    assert lamp.light_lm == lumens
    assert "maxima" in lamp.source


@pytest.mark.parametrize("part", READ_W_LM)
def test_watts_that_were_read_agree_with_volts_and_amps(part: str) -> None:
    watts, lumens = READ_W_LM[part]
    tolerance = 0.5 if part == "912" else 0.05  # "about 13 W"
    assert lamps()[part].design_power_w == pytest.approx(watts, abs=tolerance)
    assert lumens is None or lamps()[part].light_lm == lumens


@pytest.mark.parametrize("lamp", lamps().values(), ids=lambda lamp: lamp.part)
def test_every_row_says_where_it_comes_from(lamp) -> None:
    assert lamp.source
    assert set(lamp.read) <= set(LAMP_RATINGS)
    assert (lamp.status == "from memory") == (not lamp.read)


@pytest.mark.parametrize("lamp", lamps().values(), ids=lambda lamp: lamp.part)
def test_class_follows_power_and_efficacy(lamp) -> None:
    small, middle, large = (sum(span) / 2 for span in LAMP_DESIGN_TEMP_CLASSES_K.value)
    power_w = lamp.design_power_w
    dim = lamp.light_lm is not None and lamp.light_lm / power_w < 8.5
    assert lamp.design_temp_k == (small if power_w <= 6 or dim else middle if power_w < 20 else large)
    vacuum, gas = published.GAS_LOSS_RATIO_VACUUM.value, published.GAS_LOSS_RATIO_GAS.value
    assert lamp.gas_loss_ratio == (vacuum if power_w <= 6 else gas)


def test_only_whole_ratings_count_as_read() -> None:
    assert lamps()["1003"].status == "read"
    assert lamps()["1156"].status == "partly read"
    assert lamps()["1156"].read == ("watts", "lumens")
    assert lamps()["921"].status == "from memory"


def test_lookup_forgives_letter_case_and_blanks() -> None:
    found = find_lamp(" p21w ")
    assert found is not None
    assert found.part == "P21W"
    assert find_lamp("1157") is None
    assert nearest_lamps("1157")[0] == "1156"


@pytest.mark.parametrize("rows", [fuses(), breakers(), resettables()], ids=["fuses", "breakers", "resettables"])
def test_every_other_part_says_where_it_comes_from(rows) -> None:
    assert rows
    assert all(row.source and row.status == "read" for row in rows)


def test_resettable_parts_have_the_status_of_their_published_series() -> None:
    assert {row.status for row in resettables()} == {published.RESETTABLE_SERIES.status}
