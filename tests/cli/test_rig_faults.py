"""Rig files that are wrong about protection, limiter or equaliser: one line each, with key, found, allowed and a hint."""

# ruff: noqa: E501 - expected messages stand whole, each on its line, so that they read as the user sees them
from __future__ import annotations

import re
from pathlib import Path

import pytest

from auditor.parts.resettables import resettables
from tests.cli.harness import RIG, run

START, END = RIG.index("[protection]"), RIG.index("[driver]")
OWN = "trip_a, resistance_ohm, time_to_trip_s, tripped_power_w"
HOLDS = f"{', '.join(f'{each.hold_a:g}' for each in resettables())} A"
NO_UNIT = "(a number without quotes, with a point for the decimals and without its unit)"

LAMP = 'kind = "lamp"\npart = "1156"\n'
FUSE = 'kind = "fuse"\nrating_a = 2.0\ncharacteristic = "F"\n'
BREAKER = 'kind = "breaker"\nrating_a = 1.0\nreset = "hand"\n'
RESETTABLE = 'kind = "resettable"\nhold_a = 0.5\n'
RELAY = 'kind = "relay"\nthreshold_v = 20.0\n'
LIMITER = '[limiter]\ndetector = "rms"\nthreshold_dbu = -2.0\nattack_s = 0.01\nrelease_s = 0.1\n'
SECTION = '[[equaliser]]\nkind = "peaking"\nfrequency_hz = 3000.0\ngain_db = -3.0\nq = 1.0\n'


def complaints(folder: Path, text: str) -> list[str]:
    """What `rig check` says of a rig file, without file and line, which stand in front of every fault."""
    path = folder / "rig.toml"
    path.write_text(text, encoding="utf-8")
    result = run("rig", "check", path)
    assert (result.status, result.out) == (2, "")
    head = re.compile(rf"error: {re.escape(str(path))}(?:, line (\d+))?: ")
    found = [head.match(line) for line in result.complaints]
    assert all(found)
    assert all(int(each.group(1)) <= len(text.splitlines()) for each in found if each and each.group(1))
    return [head.sub("", line) for line in result.complaints]


def protected(keys: str) -> str:
    return f"{RIG[:START]}[protection]\n{keys}\n{RIG[END:]}"


def changed(text: str, *changes: tuple[str, str]) -> str:
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return text


# --- protection -------------------------------------------------------------------------------------------------------

# fmt: off
PROTECTION = (
    # A part that is not known.
    (changed(LAMP, ('"1156"', '"1157"')), 'protection.part: no such lamp in the list, got "1157" (nearest: 1156; '),
    (changed(LAMP, ('"1156"', '"zzz"')), 'protection.part: no such lamp in the list, got "zzz" (`auditor parts lamp` lists all '),
    (changed(RESETTABLE, ("0.5", "0.55")), f"protection.hold_a: the list has no part that holds it, got 0.55 A; allowed: {HOLDS} (nearest: 0.5 A and 0.65 A; or give {OWN})"),
    (changed(RESETTABLE, ("0.5", "9.0")), f"protection.hold_a: the list has no part that holds it, got 9 A; allowed: {HOLDS} (nearest: 2.5 A and 3 A; or give {OWN})"),
    # A rating that nothing is published for.
    (changed(FUSE, ("2.0", "20.0")), "protection.rating_a: no published curve for a fuse F in glass of that rating, got 20 A; allowed: 0.125 to 6.3 A (published for ceramic 0.05 to 4 A; `auditor parts fuse` prints the gates)"),
    (changed(FUSE, ("2.0", "5.0"), ('"F"', '"T"\nbody = "ceramic"')), "protection.rating_a: no published curve for a fuse T in ceramic of that rating, got 5 A; allowed: 1 to 3.15 A (published for glass 0.125 to 6.3 A; `auditor parts fuse` prints the gates)"),
    (changed(FUSE, ("2.0", "0.2")), "protection.cold_resistance_ohm: missing: none is published for a fuse F of 0.2 A; allowed: 0.0001 to 1000 ohm (measure it, or take it from the maker's sheet; known from 0.5 to 6.3 A)"),
    (changed(BREAKER, ("1.0", "2.5")), "protection.rating_a: no published trip window for a breaker of that rating, got 2.5 A; allowed: 0.25 to 2 A or 3 to 20 A (`auditor parts breaker` prints the windows)"),
    (changed(BREAKER, ("1.0", "7.0")), "protection.resistance_ohm: missing: none is published for a breaker of 7 A; allowed: 0.0001 to 1000 ohm (measure it, or take it from the maker's sheet; known from 0.5 to 5 A)"),
    # Words.
    (changed(FUSE, ('"F"', '"M"')), 'protection.characteristic: not one of the words allowed, got "M"; allowed: F, T (quick (F) or time-lag (T), as stamped on the cap)'),
    (changed(FUSE, ('"F"', '"FF"')), 'protection.characteristic: not one of the words allowed, got "FF"; allowed: F, T (quick (F) or time-lag (T), as stamped on the cap)'),
    (changed(FUSE, ('"F"', '"f"')), 'protection.characteristic: not one of the words allowed, got "f"; allowed: F, T (did you mean "F"?)'),
    (FUSE + 'body = "sand"', 'protection.body: not one of the words allowed, got "sand"; allowed: glass, ceramic (what the tube is made of)'),
    (changed(BREAKER, ('"hand"', '"auto"')), 'protection.reset: not one of the words allowed, got "auto"; allowed: hand, self (whether it is closed again by hand or closes by itself)'),
    (changed(BREAKER, ('"hand"', "10")), "protection.reset: not one of the words allowed, got 10; allowed: hand, self (whether it is closed again by hand or closes by itself)"),
    ('kind = "ptc"', 'protection.kind: not one of the words allowed, got "ptc"; allowed: none, lamp, fuse, breaker, resettable, relay (what stands in series with the HF driver; none where nothing does)'),
    ('kind = "fuze"', 'protection.kind: not one of the words allowed, got "fuze"; allowed: none, lamp, fuse, breaker, resettable, relay (did you mean "fuse"?)'),
    # What two values say together.
    (RESETTABLE + "trip_a = 0.4", "protection.hold_a: no less than the trip current (trip_a), so it would trip on what it is to hold, got 0.5 A; allowed: below 0.4 A (the trip current is the larger of the two, as a rule twice the hold current)"),
    (RESETTABLE + "trip_a = 5.0", "protection.trip_a: no less than the current that the time to trip is stated for, five times hold_a, got 5 A; allowed: below 2.5 A (as a rule it is twice the hold current)"),
    (RESETTABLE + "max_resistance_ohm = 0.1", "protection.max_resistance_ohm: less than the lowest resistance (resistance_ohm), got 0.1 ohm; allowed: at least 0.41 ohm (the datasheet prints both; if it prints one, leave this out)"),
    (RESETTABLE + "max_resistance_ohm = 9.0", "protection.max_resistance_ohm: the trip current is only 2 times the hold current, too near for such a spread of resistance, got 9 ohm; allowed: at most 1.64 ohm (or trip_a is wrong; as a rule it is twice the hold current)"),
    (RESETTABLE + "tripped_power_w = 50.0", "protection.tripped_power_w: too much: a part that gives off so much heat would hold its trip current (trip_a), got 50 W; allowed: 0.59 to 1.5 W (or resistance_ohm is wrong)"),
    (RELAY + "release_v = 25.0", "protection.release_v: no lower than threshold_v, so the relay would never settle, got 25 V; allowed: below 20 V (left out, it is 3 dB under the threshold, 14 V)"),
    (changed(BREAKER, ('"hand"', '"self"')), 'protection.reset_s: missing: reset "self" needs the time after which it closes; allowed: 0.1 to 3600 s (see its datasheet, or try it out)'),
    (BREAKER + "reset_s = 10.0", 'protection.reset_s: reset "hand" stays open until somebody closes it, got 10 s (remove it, or reset = "self")'),
    # Below nought.
    (changed(BREAKER, ('"hand"', '"self"\nreset_s = -10.0')), "protection.reset_s: a time is not negative, got -10 s; allowed: 0.1 to 3600 s"),
    (RESETTABLE + "time_to_trip_s = -1.0", "protection.time_to_trip_s: a time is not negative, got -1 s; allowed: 0.01 to 600 s"),
    (RELAY + "attack_s = -0.1", "protection.attack_s: a time is not negative, got -0.1 s; allowed: 0.0001 to 10 s"),
    (RELAY + "hold_s = -1.0", "protection.hold_s: a time is not negative, got -1 s; allowed: 0 to 600 s"),
    (RELAY + "switch_s = -1.0", "protection.switch_s: a time is not negative, got -1 s; allowed: 0 to 1 s"),
    (LAMP + "rated_life_h = -5.0", "protection.rated_life_h: a time is not negative, got -5 h; allowed: 1 to 100000 h (life at the rated voltage)"),
    (changed(FUSE, ("2.0", "-2.0")), "protection.rating_a: a current is not negative, got -2 A; allowed: 0.01 to 100 A (rated current, as stamped on the cap)"),
    (changed(RELAY, ("20.0", "-20.0")), "protection.threshold_v: a voltage is not negative, got -20 V; allowed: 0.05 to 1000 V (steady rms voltage of the HF branch, ahead of the contact, at which the relay opens)"),
    # The wrong kind of value.
    (changed(FUSE, ("2.0", '"2A"')), f'protection.rating_a: must be a number, got the text "2A"; allowed: 0.01 to 100 A {NO_UNIT}'),
    (changed(FUSE, ("2.0", '"2"')), 'protection.rating_a: must be a number, got the text "2"; allowed: 0.01 to 100 A (take the quotes away)'),
    (changed(FUSE, ("2.0", "[2.0]")), "protection.rating_a: must be a number, got an array; allowed: 0.01 to 100 A (rated current, as stamped on the cap)"),
    (changed(RESETTABLE, ("0.5", '"0.5 A"')), f'protection.hold_a: must be a number, got the text "0.5 A"; allowed: 0.01 to 50 A {NO_UNIT}'),
    (changed(RELAY, ("20.0", "nan")), "protection.threshold_v: must be a finite number, got nan; allowed: 0.05 to 1000 V (steady rms voltage of the HF branch, ahead of the contact, at which the relay opens)"),
    (changed(BREAKER, ("1.0", "true")), "protection.rating_a: must be a number, got true; allowed: 0.01 to 100 A (rated current)"),
    (LAMP + "series_count = 1.5", "protection.series_count: must be a whole number, got 1.5; allowed: a whole number from 1 to 100 (lamps in series in each string)"),
    # Misspelt keys, and keys of another kind.
    (changed(FUSE, ("rating_a", "raitng_a")), "protection.raitng_a: unknown key (did you mean rating_a [A]?)"),
    (FUSE + "cold_resistence_ohm = 0.1", "protection.cold_resistence_ohm: unknown key (did you mean cold_resistance_ohm [ohm]?)"),
    (FUSE + "resistance_ohm = 0.1", 'protection.resistance_ohm: kind = "fuse" has no such key (did you mean cold_resistance_ohm [ohm]?)'),
    (FUSE + 'part = "T2A"', 'protection.part: kind = "fuse" has no such key (remove it; keys here: kind, rating_a, characteristic, body, cold_resistance_ohm)'),
    (changed(BREAKER, ("reset =", "rest =")), "protection.rest: unknown key (did you mean reset?)"),
    (changed(RELAY, ("threshold_v", "treshold_v")), "protection.treshold_v: unknown key (did you mean threshold_v [V]?)"),
    (RELAY + "release_s = 5.0", "protection.release_s: unknown key (did you mean release_v [V]? release_s belongs in [limiter])"),
    # Left out: told once.
    ('kind = "relay"', "protection.threshold_v: missing; allowed: 0.05 to 1000 V (steady rms voltage of the HF branch, ahead of the contact, at which the relay opens)"),
    ('kind = "resettable"', "protection.hold_a: missing; allowed: 0.01 to 50 A (current the part carries for good at 23 C; a part of the list is known by it)"),
    (changed(FUSE, ('characteristic = "F"', "")), "protection.characteristic: missing; allowed: F, T (quick (F) or time-lag (T), as stamped on the cap)"),
    (changed(BREAKER, ('reset = "hand"', "")), "protection.reset: missing; allowed: hand, self (whether it is closed again by hand or closes by itself)"),
)
# fmt: on


@pytest.mark.parametrize(("keys", "line"), PROTECTION, ids=lambda text: text.split(" (")[0][:80])
def test_one_fault_in_the_protection_is_one_line(tmp_path: Path, keys: str, line: str) -> None:
    (found,) = complaints(tmp_path, protected(keys))
    assert found == line or (line.endswith(" ") and found.startswith(line))


def test_what_a_part_of_its_own_lacks_is_told_key_by_key(tmp_path: Path) -> None:
    found = complaints(tmp_path, protected('kind = "resettable"\nhold_a = 0.6\ntrip_a = 1.2'))
    assert [line.split(":")[0].removeprefix("protection.") for line in found] == OWN.split(", ")[1:]
    for line in found:
        assert "the list has no part that holds 0.6 A (nearest: 0.5 A and 0.65 A; or give " in line


def test_every_fault_of_a_table_is_told_at_once(tmp_path: Path) -> None:
    found = complaints(tmp_path, protected('kind = "fuse"\nrating_a = "2"\ncharacteristic = "X"\nbdy = "glass"'))
    assert {line.split(":")[0] for line in found} == {
        "protection.rating_a",
        "protection.characteristic",
        "protection.bdy",
    }


# --- limiter and equaliser --------------------------------------------------------------------------------------------

# fmt: off
CHAIN = (
    (LIMITER + 'band = "hf"', 'limiter.band: in a passive rig the amplifier carries the whole band, so nothing before it can limit HF alone, got "hf"; allowed: full (where the HF driver has an amplifier of its own, say so: amplifier.band = "hf")'),
    (LIMITER + 'band = "lf"', 'limiter.band: not one of the words allowed, got "lf"; allowed: full, hf (what it limits: everything, or behind an active crossover the HF band alone)'),
    (LIMITER + "ratio = 0.5", "limiter.ratio: a ratio of 1 does nothing, and less is an expander, got 0.5; allowed: 1.1 to 1000"),
    (LIMITER + 'ratio = "4:1"', 'limiter.ratio: must be a number, got the text "4:1"; allowed: 1.1 to 1000 (write 4)'),
    (LIMITER + "ratio = inf", "limiter.ratio: must be a finite number, got inf; allowed: 1.1 to 1000 (decibels over the threshold for one that comes out; left out, nothing more comes out)"),
    (LIMITER + "hold_s = -1.0", "limiter.hold_s: a time is not negative, got -1 s; allowed: 0 to 60 s"),
    (LIMITER + "averaging_s = -1.0", "limiter.averaging_s: a time is not negative, got -1 s; allowed: 0.001 to 60 s (time constant over which the rms detector averages)"),
    (changed(LIMITER, ("0.01", "-0.01")), "limiter.attack_s: a time is not negative, got -0.01 s; allowed: 0 to 60 s"),
    (changed(LIMITER, ("release_s = 0.1", "release_s = -0.1")), "limiter.release_s: a time is not negative, got -0.1 s; allowed: 0.001 to 600 s"),
    (changed(LIMITER, ("attack_s", "attack_ms")), "limiter.attack_ms: unknown key (did you mean attack_s [s]?)"),
    (changed(LIMITER, ('"rms"', '"peek"')), 'limiter.detector: not one of the words allowed, got "peek"; allowed: peak, rms (did you mean "peak"?)'),
    (changed(LIMITER, ("attack_s = 0.01", "attack_s = true")), "limiter.attack_s: must be a number, got true; allowed: 0 to 60 s (time to 63 % of the gain reduction called for)"),
    (changed(LIMITER, ("attack_s = 0.01\n", "")), "limiter.attack_s: missing; allowed: 0 to 60 s (time to 63 % of the gain reduction called for)"),
    (changed(LIMITER, ("-2.0", '"-2 dBu"')), f'limiter.threshold_dbu: must be a number, got the text "-2 dBu"; allowed: -60 to 40 dBu {NO_UNIT}'),
    (changed(LIMITER, ("[limiter]", "[limitter]")), "limitter: unknown table (did you mean [limiter]?)"),
    (changed(SECTION, ('"peaking"', '"bell"')), 'equaliser.1.kind: not one of the words allowed, got "bell"; allowed: peaking, low_shelf, high_shelf, low_pass, high_pass (what the section does)'),
    (changed(SECTION, ('"peaking"', '"low-shelf"')), 'equaliser.1.kind: not one of the words allowed, got "low-shelf"; allowed: peaking, low_shelf, high_shelf, low_pass, high_pass (did you mean "low_shelf"?)'),
    (changed(SECTION, ("gain_db = -3.0", "gain_db = 60.0")), "equaliser.1.gain_db: no equaliser gives that much, got 60 dB; allowed: -30 to 30 dB"),
    (changed(SECTION, ("gain_db = -3.0\n", "")), "equaliser.1.gain_db: missing: a peaking section needs it; allowed: -30 to 30 dB"),
    (changed(SECTION, ("3000.0", '"3 kHz"')), f'equaliser.1.frequency_hz: must be a number, got the text "3 kHz"; allowed: 10 to 24000 Hz {NO_UNIT}'),
    (changed(SECTION, ("q = 1.0", "Q = 1.0")), "equaliser.1.Q: unknown key (did you mean q?)"),
    (SECTION + changed(SECTION, ("frequency_hz", "freqency_hz")), "equaliser.2.freqency_hz: unknown key (did you mean frequency_hz [Hz]?)"),
    (changed(SECTION, ("[[", "["), ("]]", "]")), "equaliser: must be tables, each headed [[equaliser]], got a table (in double brackets, once for each section)"),
    (changed(SECTION, ("equaliser", "equalizer")), "equalizer: unknown table (did you mean [[equaliser]]?)"),
)
# fmt: on


@pytest.mark.parametrize(("table", "line"), CHAIN, ids=lambda text: text.split(" (")[0][:80])
def test_one_fault_in_limiter_or_equaliser_is_one_line(tmp_path: Path, table: str, line: str) -> None:
    assert complaints(tmp_path, f"{RIG}{table}\n") == [line]


def test_a_table_that_is_no_table(tmp_path: Path) -> None:
    (found,) = complaints(tmp_path, f"limiter = 3\n{RIG}")
    assert found == "limiter: must be a table, [limiter], got 3 (its keys go under [limiter])"


def test_a_table_inside_another(tmp_path: Path) -> None:
    (found,) = complaints(tmp_path, f"{RIG}limiter = 3\n")
    assert found == "driver.limiter: unknown key (a table of its own, headed [limiter])"
