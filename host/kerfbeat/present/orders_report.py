"""How are orders told, to a person and to a program?"""

from typing import Any

from kerfbeat.diagnose.order_names import Peak
from kerfbeat.diagnose.orders import Orders
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.present.numbers import plus_minus, two_digits

MOST_WHOLE = 6  # orders told in words; JSON has all

__all__ = ["ORDER_HEADINGS", "order_rows", "orders_document", "orders_lines", "source_words"]

ORDER_HEADINGS = ("source", "order", "shows at", "speed changes by ± %", "also possible")


def source_words(peak: Peak) -> str:
    """Who makes it."""
    return "unknown" if peak.source is None else peak.source.words


def orders_document(found: Orders) -> dict[str, Any]:
    """Everything as it stands in JSON."""
    return {
        "log": found.source,
        "channel": found.channel,
        "setting": {"belt": found.setting.belt, "gear": found.setting.gear, "hz": found.setting.hz},
        "start_s": found.start_s,
        "end_s": found.end_s,
        "turns": found.spectrum.turns,
        "resolution": found.spectrum.resolution,
        "pulses_per_turn": found.per_turn,
        "peaks": [
            {
                "order": peak.order,
                "shows_at": peak.shows_at,
                "amplitude_percent": peak.amplitude_percent,
                "source": source_words(peak),
                "element": None if peak.source is None else peak.source.element,
                "harmonic": None if peak.source is None else peak.source.harmonic,
                "chance": peak.chance,
                "also_possible": list(peak.also),
                "seen_on": peak.seen_on,
            }
            for peak in found.peaks
        ],
        "spacing_or_wobble": [
            {"order": each.order, "amplitude_percent": each.amplitude_percent} for each in found.undecided
        ],
        "spacing_or_wobble_since_calibration": found.since_calibration,
        "not_seen": list(found.unseen),
        "left_out": list(found.left_out),
        "warnings": list(found.warnings),
    }


def order_rows(found: Orders) -> list[list[str]]:
    """One row a peak, under ORDER_HEADINGS."""
    return [
        [
            source_words(peak) + ("" if peak.seen_on == found.channel else f" (seen on {peak.seen_on})"),
            f"{peak.order:.4f}",
            f"{peak.shows_at:.4f}",
            plus_minus(peak.amplitude_percent),
            "; ".join(peak.also) or "-",
        ]
        for peak in found.peaks
    ]


def orders_lines(found: Orders) -> list[str]:
    """What stands around the table."""
    lines = [
        f"{found.source}: {found.channel} at {setting_words(found.setting)}, {found.spectrum.turns:.0f} turns, "
        f"orders told apart by {found.spectrum.resolution:.2g}"
    ]
    if not found.peaks:
        lines.append("no peak stands out of the noise (its floor)")
    if found.undecided:
        told = found.undecided[:MOST_WHOLE]
        each = ", ".join(f"order {one.order}: {two_digits(one.amplitude_percent)} %" for one in told)
        new = ", what has changed since calibration," if found.since_calibration else ""
        lines.append(
            f"whole orders{new} ({each}) are unequal target spacing, or a wobble in step with the shaft: one sensor "
            "cannot tell; a second sensor on a rigidly geared shaft can"
        )
    lines += [f"not seen: {line}" for line in found.unseen]
    lines += list(found.left_out)
    return lines
