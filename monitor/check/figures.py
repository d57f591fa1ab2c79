"""What follows from plates, sheets and hand tests: figures to hold against what the shop sees.

They rest on what was entered and on common practice; what is watched afterwards learns the shop's own.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.check.sumps import evaporates_l_d
from monitor.config import SiteFile
from monitor.plant.fields import shown_duration
from monitor.plant.model import Coolant, Plant, Stage
from monitor.water.carbonate import co2_from_alkalinity_mg_l, ionic_strength_from_ec_mol_l
from monitor.water.errors import OutOfRange
from monitor.water.resin import REGENERATED_EQ_L, di_litres_to_exhaustion_l, load_from_conductivity_meq_l
from monitor.water.softener import softener_litres_to_regeneration_l
from monitor.water.softener_dose import softener_capacity_by_salt_g_l

# Salt a sound and a poor membrane let through (common practice, no source).
_PASSAGES = (0.02, 0.10)
_TYPICAL_TAP_US_CM = 500.0
_DAY_MS = 86_400_000


def figures(site: SiteFile) -> Iterator[str]:
    """Sentences, in the order the water takes."""
    plant = site.plant
    for stage in plant.stage:
        if stage.kind == "softener":
            yield from _softener(plant, stage)
        elif stage.kind == "ro":
            yield from _membrane(stage)
        elif stage.kind == "di":
            yield from _bed(plant, stage)
    for coolant in plant.coolant:
        yield from _coolant(plant, coolant)
    yield from _sumps(plant)


def _tap(plant: Plant) -> Stage | None:
    return next((stage for stage in plant.stage if stage.kind == "tap"), None)


def _softener(plant: Plant, stage: Stage) -> Iterator[str]:
    tap, salt_g_l = _tap(plant), stage.salt_g_l
    if tap is None or tap.hardness is None or stage.resin is None or salt_g_l is None:
        return
    resin_l, hardness = stage.resin.canonical("volume"), tap.hardness.in_unit("mg/L")
    try:
        capacity = softener_capacity_by_salt_g_l(salt_g_l)
        litres = softener_litres_to_regeneration_l(resin_l, capacity, hardness)
    except OutOfRange as error:
        yield f"{stage.label}: its litres cannot be reckoned: {error}."
        return
    every = stage.regenerates_every
    pace = ""
    if every is not None:
        a_day = _rounded(litres * _DAY_MS / every)
        pace = (
            f" Timed every {shown_duration(every)}, it keeps up with {a_day} L a day; beyond that hard water "
            "passes, and no probe shows it."
        )
    yield (
        f"{stage.label}: softens about {_rounded(litres)} L of water of {tap.hardness} and then takes "
        f"{resin_l * salt_g_l / 1000:.1f} kg of salt.{pace}"
    )


def _membrane(stage: Stage) -> Iterator[str]:
    if stage.rated_flow is None or stage.recovery is None:
        return
    made, share = stage.rated_flow.canonical("flow"), stage.recovery.in_unit("1")
    yield (
        f"{stage.label}: to make {made:.2g} L/min at 25 °C it takes {made / share:.2g} L/min, and "
        f"{made / share - made:.2g} L/min go down the drain. In winter it makes less: about 3 % a degree."
    )


def _bed(plant: Plant, stage: Stage) -> Iterator[str]:
    tap = _tap(plant)
    if tap is None or stage.resin is None or tap.conductivity is None:
        return
    resin_l, tap_us_cm = stage.resin.canonical("volume"), tap.conductivity.canonical("conductivity")
    behind_ro = any(feed.kind == "ro" for feed in _all_before(plant, stage))
    co2_mg_l = _co2_mg_l(tap)
    try:
        loads = [
            load_from_conductivity_meq_l(share * tap_us_cm, co2_mg_l or 0.0)
            for share in (_PASSAGES if behind_ro else (1.0,))
        ]
    except OutOfRange:
        return  # a tap too salty for the rule of thumb
    most, least = (
        di_litres_to_exhaustion_l(resin_l, REGENERATED_EQ_L, load) for load in (loads[0], loads[-1])
    )
    span = f"{_rounded(least)} to {_rounded(most)} L" if behind_ro else f"about {_rounded(most)} L"
    why = "a membrane that passes 10 % or 2 % of the tap's salt" if behind_ro else "the tap's conductivity"
    unseen = (
        f"with {co2_mg_l:.0f} mg/L of carbon dioxide in it, by alkalinity and pH"
        if co2_mg_l is not None
        else "carbon dioxide left out, as alkalinity and pH are not known; with it a third may be right"
    )
    renewed = " The service changes it: enter each exchange." if stage.service == "exchanged" else ""
    yield f"{stage.label}: fresh resin treats {span} ({why}; {unseen}).{renewed}"


def _all_before(plant: Plant, stage: Stage) -> list[Stage]:
    feeds = list(plant.feeds(stage.id))
    return feeds + [further for feed in feeds for further in _all_before(plant, feed)]


def _co2_mg_l(tap: Stage) -> float | None:
    if tap.alkalinity is None or tap.ph is None:
        return None
    strength = ionic_strength_from_ec_mol_l(_TYPICAL_TAP_US_CM)
    try:
        return co2_from_alkalinity_mg_l(tap.alkalinity.in_unit("mg/L"), tap.ph, ionic_strength_mol_l=strength)
    except OutOfRange:
        return None


def _coolant(plant: Plant, coolant: Coolant) -> Iterator[str]:
    if coolant.factor is not None and coolant.band is not None:
        low, high = (share.in_unit("percent") / coolant.factor for share in coolant.band)
        yield (
            f"{coolant.label}: {coolant.band[0]} to {coolant.band[1]} is {low:.1f} to {high:.1f} °Brix on "
            f"the refractometer (factor {coolant.factor:g})."
        )
    tap = _tap(plant)
    if coolant.mineral_limit is not None and tap is not None and tap.hardness is not None:
        hardness = tap.hardness.in_unit("mg/L")
        times = coolant.mineral_limit.in_unit("mg/L") / hardness if hardness > 0 else 0.0
        if times > 0:
            yield (
                f"{coolant.label}: topped up with untreated tap water a sump passes its limit of "
                f"{coolant.mineral_limit} once that water has concentrated {times:.1f} times."
            )


def _sumps(plant: Plant) -> Iterator[str]:
    known = [(sump, band) for sump in plant.sump if (band := evaporates_l_d(sump)) is not None]
    if not known:
        return
    per_mm = [sump.surface_m2 or 0.0 for sump, _ in known]
    low, high = (sum(band[end] for _, band in known) for end in (0, 1))
    each = f"{min(per_mm):.2g}" if min(per_mm) == max(per_mm) else f"{min(per_mm):.2g} to {max(per_mm):.2g}"
    count = f"{len(known)} sumps" if len(known) > 1 else known[0][0].label
    yield (
        f"{count}: a millimetre of level is {each} L; {low:.0f} to {high:.0f} L a day evaporate from the "
        f"{'surfaces' if len(known) > 1 else 'surface'}, more where a running machine wets its enclosure."
    )


def _rounded(litres: float) -> str:
    """Two figures are as many as a rule of thumb has."""
    return f"{float(f'{litres:.2g}'):,.0f}".replace(",", " ")
