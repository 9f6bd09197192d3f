"""What must be asked of the way from the motor shaft to the blade wheel?"""

from __future__ import annotations

import re

from kerfbeat.errors import MachineError
from kerfbeat.machine.interview import UNKNOWN, Interview, Page, checked, choice, count, number, quoted
from kerfbeat.machine.stages import BeltPosition, BeltStage, Gear, Sheave, require_choice_name
from kerfbeat.units import parse_length_m

__all__ = ["ask_stages"]

MOST_STEPS = 20


def ask_stages(interview: Interview, page: Page) -> None:
    """Ask for every stage, shaft by shaft, until the blade wheel is reached."""
    shaft = "the motor shaft"
    for place in range(1, MOST_STEPS + 1):
        kind = interview.maybe(
            f"What does {shaft} turn: belt, gearbox or chain (Enter: the blade wheel itself)?",
            choice("belt", "gearbox", "chain"),
        )
        if kind is None:
            return
        shaft = f"the shaft after the {kind}"
        page.table("[[stage]]")
        page.put("name", quoted(f"{kind} {place}"))
        page.put("kind", quoted(kind))
        if kind == "belt":
            _ask_belt(interview, page)
        else:
            _ask_gears(interview, page, teeth=kind == "chain")


def _ask_gears(interview: Interview, page: Page, *, teeth: bool) -> None:
    how = "teeth of driver and driven, such as 16 36" if teeth else "turns in per turn out, such as 30"
    ratio = _teeth if teeth else _ratio
    gear_count = interview.ask("How many gears can be chosen there (1 if none)?", _few)
    if gear_count == 1:
        page.put("ratios", interview.ask(f"Its ratio ({how})?", ratio), "turns in per turn out")
        return
    gears: dict[str, float] = {}
    for place in range(1, gear_count + 1):
        name = interview.ask(f"Gear {place}: its name (such as low)?", lambda text: _new_name(text, gears))
        gears[name] = interview.ask(f'Gear "{name}": its ratio ({how})?', ratio)
    shown = ", ".join(f"{quoted(name)} = {value!r}" for name, value in gears.items())
    page.put("ratios", f"{{ {shown} }}", "turns in per turn out")


def _few(text: str) -> int:
    few = count(text, "gear", "step")
    if not 1 <= few <= MOST_STEPS:
        raise MachineError(f"{few} cannot be; write a number from 1 to {MOST_STEPS}")
    return few


def _new_name(text: str, taken: dict[str, float]) -> str:
    require_choice_name(text, what="name")
    if text.casefold() in (name.casefold() for name in taken):
        raise MachineError(f'"{text}" is already taken; give each its own name')
    return text


def _ratio(text: str) -> float:
    return Gear(ratio=number(text, ":1", ": 1", "to 1")).ratio


def _teeth(text: str) -> float:
    counts = re.sub(r"[,/:]|\b(?:teeth|tooth|t)\b", " ", text, flags=re.IGNORECASE).split()
    if len(counts) != 2:
        raise MachineError("write two numbers of teeth, driver first, such as 16 36")
    driver, driven = (count(part) for part in counts)
    if not driver or not driven:
        raise MachineError("a sprocket has at least one tooth; write two numbers such as 16 36")
    return Gear(ratio=driven / driver).ratio


def _ask_belt(interview: Interview, page: Page) -> None:
    form = interview.ask("Its pulleys: fixed, steps or variable (width)?", choice("fixed", "steps", "variable"))
    if form == "variable":
        positions = _ask_variable(interview, page)
    else:
        way, section = _ask_way(interview)
        positions = _ask_fixed(interview, page, way, section, steps=form == "steps")
    centre = interview.maybe(
        f"Distance between the two shafts (such as 310 mm{UNKNOWN})?",
        checked(lambda text: BeltStage(positions=positions, centre_distance_m=parse_length_m(text))),
    )
    centre_m = parse_length_m(centre) if centre else None
    length = interview.maybe(
        f"Belt: pitch length (such as 1010 mm{UNKNOWN})?",
        checked(
            lambda text: BeltStage(positions=positions, centre_distance_m=centre_m, belt_length_m=parse_length_m(text))
        ),
    )
    page.put("centre_distance", centre and quoted(centre))
    page.put("belt_length", length and quoted(length), "pitch length")


def _ask_way(interview: Interview) -> tuple[str, str]:
    way = interview.ask(
        "Pulley diameters known as: pitch, outside (measured at the rim) or datum (older V-belt catalogues)?",
        choice("pitch", "outside", "datum"),
    )
    if way == "pitch":
        return way, ""
    return way, interview.ask("V-belt section: A, B, C or D?", choice("a", "b", "c", "d")).upper()


def _sheave(text: str, way: str, section: str) -> Sheave:
    diameter_m = parse_length_m(text)
    if way == "pitch":
        return Sheave.from_pitch(diameter_m)
    make = Sheave.from_outside if way == "outside" else Sheave.from_datum
    return make(diameter_m, section=section)


def _ask_diameter(interview: Interview, question: str, way: str, section: str) -> tuple[str, Sheave]:
    text = interview.ask(f"{question} (such as 80 mm or 3.15 in)?", checked(lambda text: _sheave(text, way, section)))
    shown = quoted(text) if way == "pitch" else f'{{ {way} = {quoted(text)}, section = "{section}" }}'
    return shown, _sheave(text, way, section)


def _ask_fixed(interview: Interview, page: Page, way: str, section: str, *, steps: bool) -> tuple[BeltPosition, ...]:
    if not steps:
        driver_text, driver = _ask_diameter(interview, f"Driving pulley: {way} diameter", way, section)
        driven_text, driven = _ask_diameter(interview, f"Driven pulley: {way} diameter", way, section)
        page.put("driver", driver_text, f"{way} diameter")
        page.put("driven", driven_text)
        return (BeltPosition(driver=driver, driven=driven),)
    positions: dict[str, tuple[str, BeltPosition]] = {}
    for place in range(1, interview.ask("How many steps?", _few) + 1):
        name = interview.ask(
            f"Step {place}: its name (such as low)?", lambda text: _new_name(text, dict.fromkeys(positions, 0.0))
        )
        driver_text, driver = _ask_diameter(interview, f'Step "{name}", driving pulley: {way} diameter', way, section)
        driven_text, driven = _ask_diameter(interview, f'Step "{name}", driven pulley: {way} diameter', way, section)
        positions[name] = f"[{driver_text}, {driven_text}]", BeltPosition(name=name, driver=driver, driven=driven)
    shown = ", ".join(f"{quoted(name)} = {pair}" for name, (pair, _) in positions.items())
    page.put("positions", f"{{ {shown} }}", f"{way} diameters, driver first")
    return tuple(position for _, position in positions.values())


def _ask_variable(interview: Interview, page: Page) -> tuple[BeltPosition, ...]:
    which = interview.ask("Which pulley varies: driver, driven or both?", choice("driver", "driven", "both"))
    sheaves: dict[str, Sheave] = {}
    for side, called in (("driver", "Driving pulley"), ("driven", "Driven pulley")):
        if which not in (side, "both"):
            shown, sheaves[side] = _ask_diameter(interview, f"{called}: pitch diameter", "pitch", "")
            page.put(side, shown, "pitch diameter")
            continue
        low, smallest = _ask_diameter(interview, f"{called}: smallest pitch diameter", "pitch", "")
        least_m = smallest.pitch_m
        high = interview.ask(
            f"{called}: largest pitch diameter (such as 120 mm or 4.7 in)?",
            checked(lambda text, least_m=least_m: Sheave(minimum_m=least_m, maximum_m=parse_length_m(text))),  # type: ignore[misc]
        )
        sheaves[side] = Sheave(minimum_m=least_m, maximum_m=parse_length_m(high))
        page.put(side, f"{{ minimum = {low}, maximum = {quoted(high)} }}", "pitch diameters")
    return (BeltPosition(driver=sheaves["driver"], driven=sheaves["driven"]),)
