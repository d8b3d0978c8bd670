"""Writes `docs/sensitivity.md`: what the answer does when an assumed value is at the end of its band.

Not checked for drift: its figures move with every refinement of the models, and it is there for their size and sign.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "sensitivity.md"
sys.path.insert(0, str(ROOT))

# Tracks of the demonstration set, counted from 0, and what each stands for.
TRACKS = {3: "dense music", 5: "squeal", 6: "steady tone"}
Changes = dict[str, dict[str, float]]
HEAD = """# What the assumed values are worth

<!-- Written by docs/make_sensitivity.py from the demonstration set. -->

Each row takes one value that the demonstration rig leaves to the program, or that a label seldom tells, and moves it to
an end of its band. The columns give the change of the margin, and the hottest coil, of three tracks of `auditor demo`:
dense music (04, bound by peaks), a squeal (06, bound by peaks, the lamp at work) and a steady tone (07, bound by power
over 60 s, the lamp at work). A positive change of margin means that the program, with its usual value, asks for more
turning down than that system would need; a negative one that it asks for less.

"""
TAIL = """
How to read it:

- The driver's ratings, the level and the pad move the answer most, decibel for decibel. They stand on labels or can be
  measured: get those right first.
- How well the coil is cooled moves the margins by a decibel or so, and the coil's temperature by tens of degrees.
  Believe the order of tracks by coil temperature more than the degrees.
- The lamp's assumed data hardly move anything, because the lamp's rating fixes what it does when it matters.
- A lower `coil_temp_limit_c` gives cooler coils and more room, not less: the thermal resistances are derived so that
  the coil reaches its limit at its continuous rating, and a driver that earns the same rating with a lower limit must
  be cooled better. Give the maker's thermal resistances with it or keep the default; if you lower the limit out of
  caution, lower the power ratings as well.
- A hotter site makes a hotter coil: ratings are taken to be stated in air of 25 °C, wherever the box stands.
- With no pad the lamp burns out on the steady tone; the coil is then the cooler for it, and the driver silent.
"""


def main() -> None:
    """Run every variant and write the page."""
    from auditor import published

    network = {"coil_thermal_resistance_k_per_w": 2.782, "body_thermal_resistance_k_per_w": 1.855}
    constants = {"coil_time_constant_s": 2.85, "body_time_constant_s": 1110.0}
    variants: list[tuple[str, Changes]] = [
        ("as it is", {}),
        ("`level.gain_db` 1 dB higher", {"level": {"gain_db": -7.0}}),
        ("`crossover.pad_db` 0 instead of 3", {"crossover": {"pad_db": 0.0}}),
        ("`crossover.frequency_hz` 1500 instead of 1800", {"crossover": {"frequency_hz": 1500.0}}),
        ("`protection.design_temp_k` 75 K lower", {"protection": {"design_temp_k": 2650.0}}),
        ("`protection.design_temp_k` 75 K higher", {"protection": {"design_temp_k": 2800.0}}),
        ("`protection.gas_loss_ratio` 0.03", {"protection": {"gas_loss_ratio": 0.03}}),
        ("`protection.gas_loss_ratio` 0.20", {"protection": {"gas_loss_ratio": 0.20}}),
        ("`driver.dc_resistance_ohm` 0.60 of the rated impedance", {"driver": {"dc_resistance_ohm": 4.8}}),
        ("`driver.dc_resistance_ohm` 0.85 of it", {"driver": {"dc_resistance_ohm": 6.8}}),
        ("thermal resistances 40 % lower", {"driver": {key: 0.6 * value for key, value in network.items()}}),
        ("thermal resistances 40 % higher", {"driver": {key: 1.4 * value for key, value in network.items()}}),
        ("time constants half", {"driver": {key: 0.5 * value for key, value in constants.items()}}),
        ("time constants double", {"driver": {key: 2.0 * value for key, value in constants.items()}}),
        ("`driver.coil_temp_limit_c` 150", {"driver": {"coil_temp_limit_c": 150.0}}),
        ("`site.ambient_temp_c` 45", {"site": {"ambient_temp_c": 45.0}}),
        ("`driver.peak_power_w` twice the continuous rating", {"driver": {"peak_power_w": 120.0}}),
        ("`driver.peak_power_w` eight times it", {"driver": {"peak_power_w": 480.0}}),
    ]
    rows = [(name, _results(changes)) for name, changes in variants]
    shading, published.COIL_RADIATING_RATIO = published.COIL_RADIATING_RATIO, published.COIL_SHADING_RATIO
    # A hair off in temperature, so that the lamp that was worked out before is not taken from its cache.
    slower = _results({"site": {"ambient_temp_c": 25.001}})
    rows.append(("filament with the printed shading, 0.6865 (a slower lamp)", slower))
    published.COIL_RADIATING_RATIO = shading
    PAGE.write_text(HEAD + _table(rows) + TAIL, encoding="utf-8", newline="\n")


def _results(changes: Changes) -> list[tuple[float, float]]:
    """Margin and hottest coil of each track."""
    from auditor import audit
    from auditor.demo import demo_paths, demo_rig_path
    from auditor.rig_resolve import resolve_rig

    document: dict[str, Any] = tomllib.loads(Path(demo_rig_path()).read_text(encoding="utf-8"))
    for table, keys in changes.items():
        document.setdefault(table, {}).update(keys)
    rig, faults = resolve_rig(document, path="variant")
    assert rig is not None, faults
    paths = demo_paths()
    audits = [audit(paths[number], rig) for number in TRACKS]
    return [(one.margin_db or 0.0, max(each.protected.coil_temp_max_c for each in one.channels)) for one in audits]


def _table(rows: list[tuple[str, list[tuple[float, float]]]]) -> str:
    usual = rows[0][1]
    head = ["changed", *(f"{name}: margin" for name in TRACKS.values()), *(f"{name}: coil" for name in TRACKS.values())]
    lines = ["| " + " | ".join(head) + " |", "|---|" + "---:|" * (len(head) - 1)]
    for name, results in rows:
        margins = [
            f"{margin:+.1f} dB" if name == rows[0][0] else f"{round(margin - was, 1) + 0.0:+.1f} dB"
            for (margin, _), (was, _) in zip(results, usual, strict=True)
        ]
        coils = [f"{coil_c:.0f} °C" for _, coil_c in results]
        lines.append("| " + " | ".join([name, *margins, *coils]) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
