"""`auditor rig new` on a terminal and in a script: what it asks, what it refuses, what it writes."""

# ruff: noqa: E501 - expected messages stand whole

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import jsonschema
import pytest

from auditor import protection
from auditor.rig import load_rig
from auditor.rig_assumptions import _REASONS
from auditor.rig_calibration import WAYS, keys_of
from auditor.rig_effects import EFFECTS
from auditor.rig_interview import interview
from auditor.rig_making import of_settings
from auditor.rig_questions import QUESTIONS, WAYS_ASKED
from auditor.rig_schema import rig_json_schema, rig_json_schema_text
from auditor.rig_tables import TABLES
from auditor.rig_template import TEMPLATE
from auditor.rig_typed import answered
from auditor.rig_where_found import WHERE_FOUND

from .harness import hear_ctrl_c, run

# Answers by a word of the question, in place of a person; what is not here is not known.
KNOWN = {
    "How is it known": "1",
    "Level of the tone": "-30",
    "What the meter read": "1.95",
    "Rated sine power": "300",
    "Into which load": "8",
    "High-pass": "butter",
    "Its order": "3",
    "Crossover frequency": "2500",
    "What stands in series": "lamp",
    "Trade number": "1156",
    "Rated impedance of one HF driver": "8",
    "Its continuous": "40",
}
LEAST = [
    "level.full_scale_dbu=18",
    "amplifier.gain_db=32",
    "amplifier.rated_power_w=300",
    "amplifier.rated_load_ohm=8",
    "crossover.alignment=linkwitz-riley",
    "crossover.order=4",
    "crossover.frequency_hz=1800",
    "protection.kind=none",
    "driver.rated_impedance_ohm=8",
    "driver.continuous_power_w=60",
]


class Person:
    """Answers what is asked; of several answers to a question one after the other, the last for good."""

    def __init__(self, known: dict[str, str | list[str]]) -> None:
        self.known = {word: [each] if isinstance(each, str) else list(each) for word, each in known.items()}
        self.screen: list[str] = []
        self.asked: list[str] = []

    def ask(self, prompt: str) -> str:
        text = " ".join(prompt.split())
        self.asked.append(text)
        self.screen += prompt.splitlines()
        assert len(self.asked) < 200, "it does not stop asking"
        for word, answers in self.known.items():
            if text.startswith(word):
                return answers.pop(0) if len(answers) > 1 else answers[0]
        return ""

    def say(self, line: str) -> None:
        self.screen.append(line)

    def talk(self, width: int = 80) -> dict[str, dict[str, object]]:
        document = interview(self.ask, self.say, width=width)
        assert max(map(len, self.screen)) < width
        return document


# --- the talk -----------------------------------------------------------------------------------------------------------


def test_what_is_known_goes_into_the_file_and_the_rest_is_left_out() -> None:
    person = Person(KNOWN)
    assert person.talk() == {
        "level": {"calibration_tone_dbfs": -30, "calibration_voltage_v": 1.95},
        "amplifier": {"rated_power_w": 300, "rated_load_ohm": 8},
        "crossover": {"alignment": "butterworth", "order": 3, "frequency_hz": 2500},
        "protection": {"kind": "lamp", "part": "1156"},
        "driver": {"rated_impedance_ohm": 8, "continuous_power_w": 40},
    }
    # With units, usual values, and what Enter means.
    assert "Rated sine power of one channel [W] (50 to 2000; needed):" in person.asked
    assert "Its programme rating [W] (2 x continuous; Enter: don't know):" in person.asked
    assert not any(each.startswith("Voltage gain") for each in person.asked)  # a meter reading needs none


@pytest.mark.parametrize(
    ("way", "known", "keys"),
    [
        ("2", {"Mixer's output": "18", "Gain from there": "-12", "Voltage gain": "32"}, {"full_scale_dbu", "gain_db"}),
        ("3", {"Full scale past": "2.5"}, {"full_scale_re_clip_db"}),
        (
            "4",
            {"Sound level": "98", "At what distance": "8", "Sensitivity": "97"},
            {"target_spl_db", "target_distance_m", "box_sensitivity_db"},
        ),
    ],
)
def test_each_way_of_calibration_asks_for_its_own_keys(way: str, known: dict[str, str], keys: set[str]) -> None:
    person = Person({**KNOWN, "How is it known": way, **known})
    assert set(person.talk()["level"]) == keys


@pytest.mark.parametrize(
    ("word", "answers", "told"),
    [
        ("What the meter read", ["0", "1.95"], "a reading is above zero"),
        ("What the meter read", ["two", "1.95"], 'must be a number, got the text "two"'),
        ("What the meter read", ["1,950", "1.95"], "thousands or decimals? Write it without the comma"),
        ("What the meter read", ["1.95 A", "1.95"], "(a number in V)"),
        ("What the meter read", ["", "1.95"], "without it (a meter on AC volts across the amplifier's loudspeaker"),
        ("Its order", ["24", "4"], "(24 dB/oct is order 4)"),
        ("High-pass", ["24 dB LR", "butterworth"], "(the kind alone; its slope is asked next)"),
        ("Trade number", ["9999", "1156"], 'no such lamp in the list, got "9999"'),
        ("What the meter read", ["nan", "1.95"], "must be a finite number"),
        ("What the meter read", ["1e999", "1.95"], "must be a finite number"),
        ("Rated sine power", ["-300", "300"], "a power rating is above zero"),
        ("Its order", ["3.5", "3"], "must be a whole number"),
        ("High-pass", ["elliptic", "butterworth"], "not one of the words allowed"),
        ("What stands in series", ["lmap", "lamp"], 'did you mean "lamp"?'),
        ("Are two channels bridged", ["perhaps", "no"], "type yes or no"),
        ("How is it known", ["5", "", "1"], "type a number from 1 to 4"),
    ],
)
def test_a_wrong_answer_is_told_and_asked_again(word: str, answers: list[str], told: str) -> None:
    person = Person({**KNOWN, word: list(answers)})
    person.talk()
    assert told in " ".join(" ".join(person.screen).split())
    assert sum(each.startswith(word) for each in person.asked) == len(answers)


def test_answers_that_do_not_go_together_are_asked_again() -> None:
    person = Person({**KNOWN, "What the meter read": ["60", "2"]})
    assert person.talk()["level"]["calibration_voltage_v"] == 2
    assert "This is not right yet, and is asked again:" in person.screen
    assert sum(each.startswith("Crossover frequency") for each in person.asked) == 1


def test_what_does_not_go_with_an_answer_given_is_told_at_once() -> None:
    person = Person({**KNOWN, "High-pass": "linkwitz riley", "Its order": ["3", "4"]})
    assert person.talk()["crossover"]["order"] == 4
    at = [number for number, each in enumerate(person.asked) if each.startswith("Its order")]
    assert at[1] == at[0] + 1
    assert "so its order is even" in " ".join(" ".join(person.screen).split())
    assert "This is not right yet, and is asked again:" not in person.screen


@pytest.mark.parametrize(
    ("typed", "key", "unit", "value"),
    [
        ("2,45", "level.calibration_voltage_v", "V", 2.45),
        ("2,45 V", "level.calibration_voltage_v", "V", 2.45),
        ("0,125V rms", "level.calibration_voltage_v", "V", 0.125),
        ("-1,5 dB", "level.gain_db", "dB", -1.5),
        ("1.8k", "crossover.frequency_hz", "Hz", 1800),
        ("1,8 kHz", "crossover.frequency_hz", "Hz", 1800),
        ("8 ohms", "driver.rated_impedance_ohm", "ohm", 8),
        ("25 \u00b0C", "site.ambient_temp_c", "C", 25),
        ("24 dB/oct", "crossover.order", "", 4),
        ("18 dB", "crossover.order", "", 3),
        # Not understood, so left as text, which is refused.
        ("1,800", "crossover.frequency_hz", "Hz", "1,800"),
        ("-30 dB", "level.calibration_tone_dbfs", "dBFS", "-30 dB"),
        ("500 mA", "protection.rating_a", "A", "500 mA"),
        ("2k", "level.gain_db", "dB", "2k"),
        ("20 dB", "crossover.order", "", "20 dB"),
        ("8 4", "driver.rated_impedance_ohm", "ohm", "8 4"),
    ],
)
def test_numbers_may_be_typed_as_people_write_them(typed: str, key: str, unit: str, value: object) -> None:
    assert answered(typed, key=key, wanted={float}, words=[], unit=unit) == value


@pytest.mark.parametrize("typed", ["linkwitz riley", "Linkwitz-Riley", "LR", "link", "linkwitz"])
def test_a_word_may_be_typed_short(typed: str) -> None:
    words = ["linkwitz-riley", "butterworth", "bessel", "none"]
    assert answered(typed, key="crossover.alignment", wanted=set(), words=words, unit="") == "linkwitz-riley"


def test_a_lamp_that_is_not_in_the_list_leads_to_its_rating() -> None:
    known = {**KNOWN, "Trade number": "", "Rated voltage": "12", "Rated current": "1.75"}
    document = Person(known).talk()
    assert document["protection"] == {"kind": "lamp", "design_voltage_v": 12, "design_current_a": 1.75}


@pytest.mark.parametrize(
    ("kind", "known", "keys"),
    [
        ("none", {}, set()),
        ("fuse", {"Rating on": "2", "Quick": "f"}, {"rating_a", "characteristic"}),
        (
            "breaker",
            {"Rating on": "2", "How it is closed": "self", "After how long": "20"},
            {"rating_a", "reset", "reset_s"},
        ),
        ("resettable", {"Hold current": "0.9"}, {"hold_a"}),
        (
            "resettable",
            {"Hold current": "0.85", "Trip": "1.7", "Lowest": "0.2", "Longest": "7", "Power it burns": "1"},
            {"hold_a", "trip_a", "resistance_ohm", "time_to_trip_s", "tripped_power_w"},
        ),
        ("relay", {"It opens at": "20"}, {"threshold_v"}),
    ],
)
def test_every_protection_can_be_asked_for(kind: str, known: dict[str, str], keys: set[str]) -> None:
    document = Person({**KNOWN, "What stands in series": kind, **known}).talk()
    assert set(document["protection"]) == {"kind", *keys}


def test_questions_are_of_keys_that_exist_and_needed_keys_are_asked() -> None:
    tables = {name: set(model.model_fields) for name, model in TABLES.items()}
    tables["protection"] = {key for kind in protection.METHODS for key in protection.method(kind).Table.model_fields}
    asked = [question.key for question in QUESTIONS]
    assert set(WHERE_FOUND) == {question.key for question in QUESTIONS if question.is_needed}
    assert len(asked) == len(set(asked))
    for key in asked:
        table, _, name = key.partition(".")
        assert name in tables[table], key
    needed = {
        f"{name}.{key}"
        for name in ("amplifier", "crossover", "driver")
        for key, field in TABLES[name].model_fields.items()
        if field.is_required()
    }
    assert needed <= set(asked)
    ways = {frozenset(keys) - {"gain_db"} for _, keys in WAYS_ASKED}
    assert ways == {frozenset(keys_of(way)) for way in WAYS}


def test_the_ways_of_calibration_have_the_same_numbers_in_the_example_and_in_the_questions() -> None:
    for number, (words, keys) in enumerate(WAYS_ASKED, start=1):
        name, colon, _ = words.partition(":")
        assert colon
        _, found, rest = TEMPLATE.partition(f"# {number}. {name}")
        assert found, name
        first = next(line for line in rest.splitlines() if " = " in line)
        assert first.removeprefix("# ").startswith(f"{keys[0]} = ")


def test_every_value_that_may_be_assumed_says_what_knowing_it_changes() -> None:
    plain = {
        "amplifier.bridged",
        "amplifier.boxes",
        "amplifier.band",
        "level.channels",
        "limiter.ratio",
        "limiter.band",
    }
    plain |= {"driver.series_count", "driver.parallel_count"}  # these have a plain default and are never assumed
    assert set(EFFECTS) == set(_REASONS) - plain


# --- the file -----------------------------------------------------------------------------------------------------------


def test_the_written_file_loads_and_says_what_is_assumed(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    settings = [*LEAST, "driver.series_count=2", "amplifier.bridged=true", "level.channels=mono"]
    done = run("rig", "new", "-o", str(path), *(word for each in settings for word in ("--set", each)))
    assert (done.status, done.out) == (0, "")
    assert re.search(r"wrote .*rig.toml; \d+ values are assumed, which this lists:\n  auditor rig check", done.err)
    text = path.read_text(encoding="utf-8")
    assert max(map(len, text.splitlines()[1:])) <= 120  # the first names a path
    rig = load_rig(path)
    assert (rig.driver.series_count, rig.amplifier.bridged, rig.level.mono_gain_db) == (2, True, 0.0)
    jsonschema.validate(tomllib.loads(text), rig_json_schema())
    # Every assumed value stands there, ready to be put right, with its reason.
    for dotted in rig.assumed:
        key = dotted.rpartition(".")[2]
        assert re.search(rf"^# {key} = ", text, flags=re.MULTILINE), dotted
    assert re.sub(r"\s*#\s*", " ", text).count("Assumed, ") == len(rig.assumed)
    # Taking the signs away gives the same rig, with nothing assumed.
    known = tmp_path / "known.toml"
    known.write_text(re.sub(r"^# (\w+ = )", r"\1", text, flags=re.MULTILINE), encoding="utf-8")
    assert load_rig(known).assumed == ()
    assert load_rig(known).full_scale_v == pytest.approx(rig.full_scale_v)


def test_the_first_line_names_the_schema_for_editors(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    assert run("rig", "new", "--example", "-o", str(path)).status == 0
    first = path.read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("#:schema file:///")
    shipped = Path(first.removeprefix("#:schema file://"))
    assert shipped.read_text(encoding="utf-8") == rig_json_schema_text()
    printed = run("rig", "schema")
    assert (printed.status, printed.out) == (0, rig_json_schema_text())


@pytest.mark.parametrize(
    ("settings", "line"),
    [
        (["level.full_scale_dbu"], "error: --set level.full_scale_dbu: not a value of a rig file (write --set table.key=value, as amplifier.gain_db=32; equalisers go into the file by hand)"),
        (["nonsense=1"], "error: --set nonsense=1: not a value of a rig file (write --set table.key=value, as amplifier.gain_db=32; equalisers go into the file by hand)"),
        ([*LEAST, "amplifier.gain_db=30"], "error: --set amplifier.gain_db: set twice (keep one)"),
        ([*LEAST, "level.full_scale_re_clip_db=0"], "error: level.full_scale_re_clip_db: the level is set already by full_scale_dbu, and both cannot hold (keep one way: remove full_scale_re_clip_db, or the other)"),
        ([*LEAST, "driver.coil_materiel=copper"], "error: driver.coil_materiel: unknown key (did you mean coil_material?)"),
        ([*LEAST, "site.ambient_temp_c=warm"], 'error: site.ambient_temp_c: must be a number, got the text "warm"; allowed: -40 to 85 C (a number without quotes, with a point for the decimals and without its unit)'),
    ],
)  # fmt: skip
def test_settings_that_cannot_be_write_nothing(tmp_path: Path, settings: list[str], line: str) -> None:
    path = tmp_path / "rig.toml"
    done = run("rig", "new", "-o", str(path), *(word for each in settings for word in ("--set", each)))
    assert (done.status, done.err.splitlines()) == (2, [line])
    assert not path.exists()


def test_every_setting_that_cannot_be_is_told_at_once_and_nothing_that_follows_from_one() -> None:
    parts = 'crossover.parts=[{kind="series_capacitor"}]'
    made = of_settings([parts, "level", "site.ambient_temp_c=warm", "driver.coil_materiel=copper"])
    told = [str(fault) for fault in made.faults]
    assert len(told) == 4
    assert "the parts of a network go into the file by hand" in told[0]
    assert told[1].startswith("--set level: not a value of a rig file")
    assert told[2].startswith("site.ambient_temp_c: must be a number")
    assert told[3].startswith("driver.coil_materiel: unknown key")


def test_what_a_list_gives_stands_in_the_file_as_it_is_used() -> None:
    settings = [each for each in LEAST if not each.startswith("protection")]
    text = of_settings([*settings, "protection.kind=lamp", "protection.part=1156"]).text
    assert "# design_temp_k = 2725.0" in text


def test_text_needs_no_quotes_and_a_trade_number_stays_text() -> None:
    settings = [each for each in LEAST if not each.startswith("protection")]
    for part in ("1156", '"1156"'):
        made = of_settings([*settings, "protection.kind=lamp", f"protection.part={part}"])
        assert made.faults == ()
        assert 'part = "1156"' in made.text


def test_an_existing_file_is_refused_before_anything_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("mine", encoding="utf-8")
    for words in ([], ["--example"], ["--set", "level.full_scale_dbu=18"]):
        done = run("rig", "new", "-o", str(path), *words)
        assert done.status == 2
        assert "is there already (--force replaces it, -o FILE writes another)" in done.err
    assert path.read_text(encoding="utf-8") == "mine"
    assert run("rig", "new", "--example", "--set", "a.b=1").status == 2


# --- on a terminal ------------------------------------------------------------------------------------------------------


class Terminal:
    """The program on a terminal of its own."""

    def __init__(self, *arguments: str, folder: Path) -> None:
        self._ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "auditor", *arguments],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=folder,
            env={**os.environ, "COLUMNS": "80", "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            start_new_session=True,
            preexec_fn=hear_ctrl_c,
        )
        os.close(theirs)
        self.screen = ""

    def wait_for(self, text: str) -> None:
        until = time.monotonic() + 60.0
        while text not in " ".join(self.screen.split()):
            assert time.monotonic() < until, self.screen
            if select.select([self._ours], [], [], 0.2)[0]:
                try:
                    self.screen += os.read(self._ours, 65536).decode()
                except OSError:  # the other end has gone
                    break

    def type(self, text: str) -> None:
        self.screen = ""
        os.write(self._ours, f"{text}\n".encode())

    def press(self, key: bytes) -> None:
        os.write(self._ours, key)

    def end(self) -> int:
        return self.process.wait(timeout=60)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._ours)


@pytest.fixture
def terminal(tmp_path: Path):
    """`auditor rig new`, asking."""
    found = Terminal("rig", "new", folder=tmp_path)
    yield found
    found.close()


def test_on_a_terminal_it_asks_and_writes(tmp_path: Path, terminal: Terminal) -> None:
    questions = [
        ("How is it known [1 to 4]:", "3"),
        ("(-10 to 10; needed):", "2"),
        ("(each, mono; Enter: each):", ""),
        ("(-23 to -14; Enter: no):", ""),
        ("(50 to 2000; needed):", "300"),
        ("(4 or 8; needed):", "8"),
        ("(yes, no; Enter: no):", ""),
        ("Enter: full):", ""),
        ("(1 to 4; Enter: 1):", ""),
        ("none; needed):", "none"),
        ("don't know):", ""),
        ("relay; needed):", "none"),
        ("(4, 8, 16; needed):", "8"),
        ("20 to 120; needed):", "60"),
    ]
    for text, answer in questions:
        terminal.wait_for(text)
        terminal.type(answer)
    while "wrote rig.toml" not in terminal.screen:
        terminal.wait_for(":")
        if "wrote" not in terminal.screen:
            terminal.type("")
    assert terminal.end() == 0
    rig = load_rig(tmp_path / "rig.toml")
    assert (rig.level.full_scale_re_clip_db, rig.driver.continuous_power_w) == (2.0, 60.0)


@pytest.mark.parametrize("how", ["Ctrl-C", "Ctrl-D"])
def test_leaving_in_the_middle_writes_nothing(tmp_path: Path, terminal: Terminal, how: str) -> None:
    terminal.wait_for("How is it known [1 to 4]:")
    terminal.type("3")
    terminal.wait_for("(-10 to 10; needed):")
    if how == "Ctrl-C":
        time.sleep(1.0)  # Python hears a signal only from when its line editor waits, a moment after the question shows
        os.killpg(terminal.process.pid, signal.SIGINT)
    else:
        terminal.press(b"\x04")
    terminal.wait_for("interrupted")
    assert terminal.end() == 130
    assert not list(tmp_path.iterdir())


def test_a_picture_is_not_put_on_a_terminal(tmp_path: Path) -> None:
    assert run("rig", "new", "--example", "-o", str(tmp_path / "rig.toml")).status == 0
    shown = Terminal("rig", "show", "rig.toml", "--format", "svg", folder=tmp_path)
    shown.wait_for("SVG is not written to a terminal (name a file with -o)")
    assert shown.end() == 2
    shown.close()
