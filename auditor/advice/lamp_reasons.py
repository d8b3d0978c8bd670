"""Why a bank of lamps stands where it stands, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from auditor.advice.lamp_strain import Strain
    from auditor.advice.lamp_trials import Tried
    from auditor.rig import Rig

AT_CLIP, ON_PROGRAMME = "at the clip point", "on this programme"


def kind(each: Tried) -> str:
    """What ruled it out, in the words of the count."""
    strained, where = _ruling(each)
    if strained.failed_at_s is not None:
        return f"burn out {where}"
    return f"let too much through {where}"


def of(each: Tried, best: Tried, least_db: float, rig: Rig) -> str:
    """One phrase: what rules it out, or what it is worth beside the best.

    Parameters
    ----------
    each, best : Tried
    least_db : float
        The least that any bank takes off on normal passages of those that protect [dB].
    rig : Rig
        Whose driver it is to protect.
    """
    if not each.protects:
        return _shortcoming(*_ruling(each), rig)
    if each is best:
        return "protects; none takes off audibly less"
    if each.bank.settings.part == best.bank.settings.part:
        return f"another bank of the first lamp: {_beside(each, best, least_db)}"
    return f"protects; {_beside(each, best, least_db)}"


def _ruling(each: Tried) -> tuple[Strain, str]:
    """What rules it out and where; the clip point where both do."""
    return (each.programme, ON_PROGRAMME) if each.noise.is_safe else (each.noise, AT_CLIP)


def _shortcoming(strained: Strain, where: str, rig: Rig) -> str:
    if strained.failed_at_s is not None:
        return f"burns out after {_time(strained.failed_at_s)} {where}"
    driver, ambient_c = rig.driver, rig.site.ambient_temp_c
    excess_db, cause = strained.worst
    ratio = 10.0 ** (excess_db / 10.0)
    if cause == "driver_power_60s":
        return f"lets {_over(driver.continuous_power_w * ratio, driver.continuous_power_w, 'W', where)}"
    if cause == "driver_power_1s":
        return f"lets {_over(driver.program_power_w * ratio, driver.program_power_w, 'W', f'for a second {where}')}"
    if cause == "coil_temp":
        coil_c = ambient_c + (driver.coil_temp_limit_c - ambient_c) * ratio
        return f"the coil gets {_over(coil_c, driver.coil_temp_limit_c, 'C', where)}"
    return f"the lamps are at their end {where}"


def _over(value: float, limit: float, unit: str, where: str) -> str:
    """Value, where it is so, and the limit it is over, with the digits it takes to tell them apart."""
    digits = next((digits for digits in (2, 3, 4, 5) if float(f"{value:.{digits}g}") > limit), 6)
    through = " through" if unit == "W" else ""
    return f"{float(f'{value:.{digits}g}'):g} {unit}{through} {where}: over {limit:g} {unit}"


def _beside(each: Tried, best: Tried, least_db: float) -> str:
    """What sets it behind the best: the first step of the rule in which it is worse, and what comes with it."""
    more_db = each.attenuation_db - best.attenuation_db
    lamps = each.bank.lamps - best.bank.lamps
    found = []
    if each.loss_steps(least_db) > 0:
        found.append(f"{more_db:.1f} dB more usual loss")
    if each.life_steps > best.life_steps:
        found.append(_life(each))
    if lamps > 0:
        found.append(f"{lamps} {'lamp' if lamps == 1 else 'lamps'} more")
    return ", ".join(found) if found else "equal, but uses more of its life"


def _life(each: Tried) -> str:
    """What wears it most: the worst case once, which the list's column of life leaves out, or the programme."""
    at_clip, on_programme = each.noise.life_used_ratio, each.programme.life_used_ratio
    where = "once at the clip point" if at_clip >= on_programme else ON_PROGRAMME
    return f"{100.0 * min(max(at_clip, on_programme), 1.0):.2g} % of its life {where}"


def _time(time_s: float) -> str:
    if time_s < 1.0:
        return "less than a second"
    return f"{time_s:.0f} s" if time_s < 120.0 else f"{time_s / 60.0:.0f} min"
