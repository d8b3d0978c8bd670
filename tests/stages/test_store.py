"""What is kept of a playing: found again to the last bit, or not at all."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor.chain.play import Played, play
from auditor.errors import AuditorError
from auditor.pipeline import audit, audit_set, judge
from auditor.programme.entry import Entry
from auditor.protection import of_keys
from auditor.report import records
from auditor.rig import Rig
from auditor.rig_resolve import resolve_rig
from auditor.store.identity import BEFORE_A_DOME, BEHIND, BEHIND_OF_DRIVER
from auditor.store.store import LIMIT_VARIABLE, Store
from auditor.store.vault import Record, Vault, _packed, _unpacked
from tests.published.models import rig
from tests.stages.made_formats import LIBSNDFILE, PYAV, Format, encode
from tests.stages.signals import music, write_wav

RATE_HZ = 44_100
LIMITER = {"detector": "peak", "threshold_dbu": 0.0, "attack_s": 0.001, "release_s": 0.1}


class Told(list[str]):
    def __call__(self, sentence: str) -> None:
        self.append(sentence)


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def store(tmp_path: Path, told: Told) -> Store:
    vault = Vault(folder=tmp_path / "cache", limit_bytes=10**9, tell=told)
    return Store(vault=vault, trusts_dates=True, tell=told)


@pytest.fixture
def sound(tmp_path: Path) -> str:
    wave = np.stack([music(RATE_HZ, seconds=3.0), 0.5 * music(RATE_HZ, seconds=3.0)], axis=1)
    return old(write_wav(tmp_path / "a.wav", wave, RATE_HZ))


def old(path: Path, *, by_s: float = 60.0) -> str:
    """The file with dates that are long past."""
    then = time.time() - by_s
    os.utime(path, (then, then))
    return str(path)


def never(*_: object) -> None:
    raise AssertionError("the samples were read")


def no_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.chain.play._pass", never)


def network_rig() -> Rig:
    """One capacitor, and everything else as in the plain rig."""
    parts = [{"kind": "series_capacitor", "capacitance_f": 6e-6}]
    document = {
        "level": {"full_scale_dbu": 18.0, "gain_db": 0.0},
        "amplifier": {"gain_db": 32.0, "rated_power_w": 300.0, "rated_load_ohm": 8.0},
        "crossover": {"parts": parts},
        "protection": {"kind": "none"},
        "driver": {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0},
    }
    system, faults = resolve_rig(document, path="oracle")
    assert system is not None, faults
    return system


def as_json(audited: Any) -> str:
    return records.to_json(audited, exit_status=0)


def changed(system: Rig, table: str, **values: Any) -> Rig:
    return replace(system, **{table: replace(getattr(system, table), **values)})


CHANGES: dict[str, Callable[[Rig], Rig]] = {
    "lamp": lambda system: replace(system, protection=of_keys("lamp", part="1141")),
    "none": lambda system: replace(system, protection=of_keys("none")),
    "driver": lambda system: changed(system, "driver", continuous_power_w=20.0, rated_impedance_ohm=4.0),
    "drivers": lambda system: changed(system, "driver", series_count=2, parallel_count=2),
    "site": lambda system: changed(system, "site", ambient_temp_c=40.0),
    "pad": lambda system: changed(system, "crossover", pad_db=2.3),
}
DOME = {"resonance_hz": 900.0, "total_q": 0.9, "moving_mass_g": 0.45, "force_factor_t_m": 3.0}
PLAYED_AGAIN: dict[str, tuple[Callable[[Rig], Rig], str]] = {
    "level": (lambda system: changed(system, "level", gain_db=3.0), "level.gain_db 3 instead of 0"),
    "amplifier": (
        lambda system: changed(system, "amplifier", rated_power_w=50.0),
        "amplifier.rated_power_w 50 instead of",
    ),
    "frequency": (
        lambda system: changed(system, "crossover", frequency_hz=2500.0),
        "crossover.frequency_hz 2500 instead of 1800",
    ),
    "order": (lambda system: changed(system, "crossover", order=2), "crossover.order 2 instead of 4"),
    "network": (
        lambda system: replace(system, crossover=network_rig().crossover),
        "another crossover",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_behind_the_filter_is_judged_without_the_samples(
    name: str, sound: str, store: Store, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    system = rig(protection={"kind": "lamp", "part": "1156"}, amplifier={"rated_power_w": 60.0})
    audit(sound, system, store=store)
    other = CHANGES[name](system)
    without = as_json(audit_set([sound], other))
    no_pass(monkeypatch)
    assert as_json(audit_set([sound], other, store=store)) == without
    assert [each for each in told if "read again" not in each] == []


@pytest.mark.parametrize("name", PLAYED_AGAIN)
def test_a_change_ahead_of_it_takes_the_samples_and_says_why(name: str, sound: str, store: Store, told: Told) -> None:
    system = rig(level={"gain_db": 0.0})
    audit(sound, system, store=store)
    change, words = PLAYED_AGAIN[name]
    assert as_json(audit_set([sound], change(system), store=store)) == as_json(audit_set([sound], change(system)))
    (why,) = told
    assert words in why
    assert len(why) < 300
    assert why.endswith("so what was played before is read from its samples again")


def test_a_limiter_and_an_equaliser_are_in_the_key(sound: str, store: Store) -> None:
    for system in (rig(), rig(limiter=LIMITER), rig(limiter={**LIMITER, "threshold_dbu": 1.0})):
        assert as_json(audit_set([sound], system, store=store)) == as_json(audit_set([sound], system))


def test_replays_for_the_margin_are_kept_too(sound: str, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    system = rig(limiter=LIMITER)
    first = as_json(audit_set([sound], system, store=store))
    no_pass(monkeypatch)
    monkeypatch.setattr("auditor.chain.replay.decode.blocks", never)
    assert as_json(audit_set([sound], system, store=store)) == first


def test_replays_behind_a_limiter_are_the_same_and_no_news(sound: str, store: Store, told: Told) -> None:
    system = rig(limiter=LIMITER)
    audit(sound, system, store=store)
    other = changed(system, "driver", continuous_power_w=30.0, program_power_w=60.0, peak_power_w=111.0)
    assert as_json(audit_set([sound], other, store=store)) == as_json(audit_set([sound], other))
    assert not told


def test_played_without_the_ladder_is_too_little_for_the_margin(
    sound: str, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    system = rig()
    play(sound, system, with_ladder=False, store=store)
    whole = judge(play(sound, system, store=store), system)
    assert whole.margin_db is not None
    no_pass(monkeypatch)
    assert play(sound, system, with_ladder=False, store=store).feeds[0].ladder is None
    assert judge(play(sound, system, store=store), system).margin_db == whole.margin_db


def test_notes_and_faults_are_kept(tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    wave = 1.2 * music(RATE_HZ, seconds=2.0)
    wave[1000:1010] = np.nan
    path = old(write_wav(tmp_path / "bad.wav", wave, RATE_HZ))
    entry = Entry(path=path, gain_db=2.0, notes=("moved",))
    first = audit_set([entry], rig(), store=store)
    assert first.tracks[0].unjudged
    assert first.tracks[0].notes
    no_pass(monkeypatch)
    assert as_json(audit_set([entry], rig(), store=store)) == as_json(first)


@pytest.mark.parametrize("cut", [{"start_s": 0.5}, {"end_s": 2.0}, {"gain_db": -3.0}], ids=["start", "end", "trim"])
def test_cut_and_trim_are_in_the_key(cut: dict[str, float], sound: str, store: Store) -> None:
    audit(sound, rig(), store=store)
    entry = Entry(path=sound, title="A title", **cut)  # type: ignore[arg-type]
    assert as_json(audit_set([entry], rig(), store=store)) == as_json(audit_set([entry], rig()))


def test_a_file_by_another_name_is_the_same(sound: str, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    audit(sound, rig(), store=store)
    other = Path(sound).with_name("b.wav")
    os.replace(sound, other)
    without = as_json(audit_set([str(other)], rig()))
    no_pass(monkeypatch)
    assert as_json(audit_set([str(other)], rig(), store=store)) == without


@pytest.mark.parametrize("trusts_dates", [True, False])
def test_a_changed_file_is_another(trusts_dates: bool, sound: str, store: Store) -> None:
    store = replace(store, trusts_dates=trusts_dates)
    audit(sound, rig(), store=store)
    content = bytearray(Path(sound).read_bytes())
    content[5000:9000] = bytes(4000)
    Path(sound).write_bytes(content)
    old(Path(sound), by_s=30.0)
    assert as_json(audit_set([sound], rig(), store=store)) == as_json(audit_set([sound], rig()))


def test_a_change_with_the_old_dates_is_seen_by_reading(sound: str, store: Store) -> None:
    before = os.stat(sound)
    audit(sound, rig(), store=store)
    content = bytearray(Path(sound).read_bytes())
    content[5000:9000] = bytes(4000)
    with open(sound, "r+b") as file:  # the same number on the disk
        file.write(content)
    os.utime(sound, ns=(before.st_atime_ns, before.st_mtime_ns))
    expected = as_json(audit_set([sound], rig()))
    assert as_json(audit_set([sound], rig(), store=replace(store, trusts_dates=False))) == expected
    assert as_json(audit_set([sound], rig(), store=store)) == expected  # the inode's own date has changed


def test_a_file_changed_a_moment_ago_is_read_each_time(tmp_path: Path, store: Store) -> None:
    path = write_wav(tmp_path / "new.wav", music(RATE_HZ, seconds=1.0), RATE_HZ)
    audit(str(path), rig(), store=store)
    assert not list(store.vault.folder.glob("*.seen"))


@pytest.mark.parametrize("form", [*LIBSNDFILE[4:], *PYAV[:1], *PYAV[3:4]], ids=lambda form: form.name)
def test_every_decoder(form: Format, tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    wave = music(48_000, seconds=3.0).reshape(-1, 1).astype(float)
    path = old(encode(tmp_path / f"a{form.suffix}", wave, 48_000, form))
    system = rig(amplifier={"rated_power_w": 60.0})  # clips, so that rows are read again
    without = as_json(audit_set([path], system))
    assert as_json(audit_set([path], system, store=store)) == without
    no_pass(monkeypatch)
    assert as_json(audit_set([path], system, store=store)) == without


def flipped(content: bytes) -> bytes:
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :]


@pytest.mark.parametrize(
    "damage",
    [
        flipped,
        lambda content: content[:-1],
        lambda content: content[:30],
        lambda content: b"",
        lambda content: content * 2,
    ],
    ids=["bit", "short", "head", "empty", "long"],
)
def test_a_damaged_record_is_none(damage: Callable[[bytes], bytes], sound: str, store: Store, told: Told) -> None:
    first = as_json(audit_set([sound], rig(), store=store))
    (path,) = store.vault.folder.glob("*.played")
    whole = path.read_bytes()
    path.write_bytes(damage(whole))
    assert as_json(audit_set([sound], rig(), store=store)) == first
    assert path.read_bytes() == whole
    assert told == []


def test_an_array_of_anything_but_numbers_is_refused() -> None:
    header, arrays = _packed(Record(values={}, arrays={"a": np.zeros(2, dtype="V8")}))
    body = header + b"".join(bytes(each) for each in arrays)
    digest = hashlib.blake2b(body, digest_size=32).digest()
    with pytest.raises(ValueError, match="numbers"):
        _unpacked(bytearray(b"auditor record 1\n" + digest + body))


def test_a_folder_that_cannot_be_written_is_told_of_once(sound: str, tmp_path: Path, told: Told) -> None:
    (tmp_path / "file").write_text("in the way")
    vault = Vault(folder=tmp_path / "file" / "cache", limit_bytes=10**9, tell=told)
    store = Store(vault=vault, trusts_dates=True, tell=told)
    assert as_json(audit_set([sound, sound], rig(), store=store)) == as_json(audit_set([sound, sound], rig()))
    (sentence,) = told
    assert "nothing can be kept there for the next run" in sentence


def test_a_full_disk_leaves_nothing_behind(
    sound: str, store: Store, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("auditor.store.vault.os.replace", full)
    audit(sound, rig(), store=store)
    assert list(store.vault.folder.iterdir()) == []
    assert len(told) == 1
    assert told[0].endswith("No space left on device")


def named(digit: str) -> str:
    """What a record is called, all of one hexadecimal digit."""
    return f"1-{digit * 32}-{digit * 32}"


def test_the_longest_unused_goes_first(store: Store) -> None:
    record = Record(values={}, arrays={"a": np.zeros(250_000, dtype=np.float32)})
    vault = replace(store.vault, limit_bytes=3_500_000)
    for number, name in enumerate("abc"):
        vault.put(named(name), record)
        os.utime(vault.folder / f"{named(name)}.played", (number, number))
    assert vault.get(named("a")) is not None  # used just now
    vault.put(named("d"), record)
    assert [name for name in "abcd" if vault.get(named(name))] == ["a", "c", "d"]
    assert vault.holding().bytes <= 3_500_000


def test_a_record_larger_than_the_cap_is_not_kept(store: Store) -> None:
    vault = replace(store.vault, limit_bytes=1000)
    vault.put("a", Record(values={}, arrays={"a": np.zeros(1000)}))
    assert vault.get("a") is None


def test_what_a_killed_process_left_is_removed(store: Store) -> None:
    vault = store.vault
    vault.put(named("a"), Record(values={}, arrays={}))
    left, under_way = (vault.folder / f"{named(name)}.played.{'0' * 16}.partial" for name in "bc")
    for path in (left, under_way):
        path.write_bytes(b"half")
    os.utime(left, (0, 0))
    vault.put(named("d"), Record(values={}, arrays={}))
    kept = [f"{named('a')}.played", under_way.name, f"{named('d')}.played"]
    assert sorted(path.name for path in vault.folder.iterdir()) == kept


def test_clearing_leaves_what_is_not_ours(store: Store) -> None:
    store.vault.put(named("a"), Record(values={}, arrays={}))
    (store.vault.folder / "letter.txt").write_text("mine")
    store.vault.clear()
    assert [path.name for path in store.vault.folder.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("given", ["much", "-1", "1.5"])
def test_a_cap_that_is_none(given: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(LIMIT_VARIABLE, given)
    with pytest.raises(AuditorError, match=f"{LIMIT_VARIABLE}: is no size.*{given}"):
        Store.at_default(tell=never)


class Poison:
    """Answers only what may be asked of it."""

    def __init__(self, real: Any, refused: tuple[str, ...]) -> None:
        self._real, self._refused = real, refused

    def __getattr__(self, name: str) -> Any:
        assert name not in self._refused, f"{name} is not in the key, and playing asks for it"
        worked_out = getattr(type(self._real), name, None)
        return worked_out.fget(self) if isinstance(worked_out, property) else getattr(self._real, name)


def test_playing_asks_for_nothing_that_is_not_in_the_key(sound: str) -> None:
    lift = {"kind": "peaking", "frequency_hz": 3000.0, "gain_db": 3.0, "q": 1.0}
    system = rig(limiter=LIMITER, equaliser=[lift])
    driver = Poison(system.driver, BEHIND_OF_DRIVER)
    guarded = Poison(replace(system, driver=driver), BEHIND)  # type: ignore[arg-type]
    found: Played = play(sound, guarded)  # type: ignore[arg-type]
    plain = play(sound, system)
    for one, other in zip(found.feeds, plain.feeds, strict=True):
        np.testing.assert_array_equal(one.frames.rms_v, other.frames.rms_v)
    assert {each.name for each in fields(system.driver)} >= set(BEHIND_OF_DRIVER)


def test_displacement_asks_for_nothing_that_is_not_in_the_key(sound: str) -> None:
    system = rig(driver={**DOME, "dc_resistance_ohm": 5.8, "excursion_limit_mm": 0.4})
    driver = Poison(system.driver, tuple(set(BEHIND_OF_DRIVER) - set(BEFORE_A_DOME)))
    guarded = Poison(replace(system, driver=driver), BEHIND)  # type: ignore[arg-type]
    found: Played = play(sound, guarded)  # type: ignore[arg-type]
    plain = play(sound, system)
    for one, other in zip(found.feeds, plain.feeds, strict=True):
        assert one.frames.peak_mm is not None
        np.testing.assert_array_equal(one.frames.peak_mm, other.frames.peak_mm)
    strict = Poison(replace(system, driver=Poison(system.driver, BEHIND_OF_DRIVER)), BEHIND)  # type: ignore[arg-type]
    with pytest.raises(AssertionError, match="dc_resistance_ohm is not in the key"):
        play(sound, strict)  # type: ignore[arg-type]


@pytest.mark.parametrize("limiter", [None, LIMITER], ids=["ladder", "limiter"])
def test_displacement_is_kept_and_its_limit_is_behind(
    limiter: dict[str, Any] | None, sound: str, store: Store, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    system = rig(driver={**DOME, "dc_resistance_ohm": 5.8}, **({} if limiter is None else {"limiter": limiter}))
    audit(sound, system, store=store)
    others = [changed(system, "driver", **more) for more in ({"moving_mass_g": 0.4}, {"dc_resistance_ohm": 5.0})]
    for other in others:
        told.clear()
        assert as_json(audit_set([sound], other, store=store)) == as_json(audit_set([sound], other))
        assert [each for each in told if "by its impedance and its moving parts" in each]
    without = as_json(audit_set([sound], system))
    bound = changed(system, "driver", excursion_limit_mm=1e3)
    found = audit_set([sound], bound)
    no_pass(monkeypatch)
    assert as_json(audit_set([sound], system, store=store)) == without
    assert as_json(audit_set([sound], bound, store=store)) == as_json(found)


def test_a_measured_loudness_is_kept(sound: str, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    system = rig(level={"match_loudness_lufs": -20.0})
    without = as_json(audit_set([sound], system))
    assert as_json(audit_set([sound], system, store=store)) == without
    no_pass(monkeypatch)
    monkeypatch.setattr("auditor.chain.fader.measured_loudness", never)
    assert as_json(audit_set([sound], system, store=store)) == without


def test_how_part_and_driver_divide_is_kept_too(sound: str, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    lamp = {"kind": "lamp", "part": "1156"}
    systems = [
        rig(protection=lamp, driver={"dc_resistance_ohm": 5.8, "voice_coil_inductance_h": inductance_h})
        for inductance_h in (0.05e-3, 0.3e-3)
    ]
    assert systems[0].driver.impedance is not None
    without = [as_json(audit_set([sound], system)) for system in systems]
    assert without[0] != without[1]
    for _ in range(2):
        assert [as_json(audit_set([sound], system, store=store)) for system in systems] == without
        no_pass(monkeypatch)
